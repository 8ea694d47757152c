// A latched trip: its cause, the reset by the number shown, and nothing for a page that is out of date (faults 56, 57).

import assert from 'node:assert/strict';
import { after, afterEach, before, beforeEach, test } from 'node:test';
import { daemon, go, hook, launch, open, standinOnly } from './browser.mjs';

const CAUSE = 'heatsink above 95 °C: read 96.2 °C';
let browser;
let served;
let page;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });
beforeEach(async () => {
  served = await daemon();
  if (!served.world) return;
  served.world.begin(served.world.addJob().job, 3);
  page = await open(browser, served);
  served.world.trip(CAUSE);
  await page.waitForSelector(hook('latch-number'));
});
afterEach(async () => {
  await page?.context().close();
  await served.close();
});

test('cause and number are shown, and the trip is announced at once', standinOnly, async () => {
  assert.equal(await page.locator(hook('latch-cause')).innerText(), CAUSE);
  assert.equal(await page.locator(hook('latch-number')).innerText(), 'Q4T7');
  assert.match(await page.locator('#assertive').innerText(), /Tripped.*96\.2/);
  assert.match(await page.locator(hook('headline')).innerText(), /Tripped/);
  assert.match(await page.title(), /^Tripped – Now/);
  await go(page, '#/runs');
  assert.match(await page.locator(hook('headline')).innerText(), /Tripped/);
});

test('the number that is typed is the number that is sent', standinOnly, async () => {
  await page.locator(hook('latch-number-field')).fill('Q4T7');
  await page.locator(hook('latch-reset')).click();
  await page.waitForSelector(`${hook('latch')}`, { state: 'hidden' });
  assert.deepEqual(served.world.requests.find((request) => request.path.endsWith('/reset')).body, { number: 'Q4T7' });
  assert.match(await page.locator(hook('headline')).innerText(), /Safe/);
});

test('a number of before is refused with a clear message, and the one that holds is shown', standinOnly, async () => {
  served.world.latch.number = 'Z9K2';
  await page.locator(hook('latch-number-field')).fill('Q4T7');
  await page.locator(hook('latch-reset')).click();
  await page.waitForSelector(`${hook('latch-said')} ${hook('detail')}`);
  assert.equal(await page.locator(hook('detail')).innerText(), 'The number Q4T7 is not the one that holds now.');
  assert.equal(await page.locator(hook('next').replace('next', 'latch-said')).locator(hook('next')).innerText(), 'Look at the bench again and type the number that is shown.');
  assert.equal(await page.locator(hook('latch-number')).innerText(), 'Z9K2');
  assert.equal(await page.locator(hook('latch-number-field')).inputValue(), '');
  assert.match(await page.locator(hook('headline')).innerText(), /Tripped/);
});

test('what may not be reset yet offers no reset and says why', standinOnly, async () => {
  Object.assign(served.world.latch, { may_reset: false, why_not: 'the heatsink is still above 60 °C' });
  await page.reload();
  await page.waitForSelector(hook('latch-why-not'));
  assert.match(await page.locator(hook('latch-why-not')).innerText(), /still above 60 °C/);
  assert.equal(await page.locator(hook('latch-reset')).isVisible(), false);
  // What forbids it can go without anything else changing.
  Object.assign(served.world.latch, { may_reset: true, why_not: null });
  await page.locator(hook('latch-reset')).waitFor({ timeout: 6000 });
});
