// STOP: reached by pointer and keys, asks at once, and never claims more than is known.
//
// A stop needs no second question: common practice for emergency devices, from memory of ISO 13850.

import assert from 'node:assert/strict';
import { after, afterEach, before, beforeEach, test } from 'node:test';
import { daemon, go, hook, launch, open, standinOnly } from './browser.mjs';

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
});
afterEach(async () => {
  await page?.context().close();
  await served.close();
});

const stops = () => served.world.requests.filter((request) => /(^|\/)stop$/.test(request.path));
const said = (phase) => page.waitForSelector(`${hook('stop-said')}[data-phase="${phase}"]`).then((node) => node.innerText());

test('a click asks at once and says when off is confirmed', standinOnly, async () => {
  page.on('dialog', () => assert.fail('STOP must not ask back'));
  const clicked = performance.now();
  await page.locator(hook('stop')).click();
  assert.match(await said('off'), /confirmed off/);
  assert.equal(stops().length, 1);
  assert.equal(stops()[0].path, 'benches/virtual-bench/stop');
  assert.ok(stops()[0].at - clicked < 500, `${stops()[0].at - clicked} ms`);
});

test('STOP is the first thing that the tab key reaches, on every page', standinOnly, async () => {
  for (const hash of ['#/', '#/queue', '#/runs', '#/compare']) {
    await page.goto('about:blank');
    await page.goto(`${served.url}/${hash}`);
    await page.waitForSelector('body[data-connection="live"]');
    await page.keyboard.press('Tab');
    assert.equal(await page.evaluate(() => document.activeElement.dataset.test), 'stop', hash);
  }
  await page.keyboard.press('Enter');
  await said('off');
  assert.equal(stops().length, 1);
});

test('Escape twice stops from anywhere, once does not', standinOnly, async () => {
  await go(page, '#/queue');
  await page.locator(hook('script-choice')).focus();
  await page.keyboard.press('Escape');
  await page.waitForTimeout(1300);
  assert.equal(stops().length, 0);
  await page.keyboard.press('Escape');
  await page.keyboard.press('Escape');
  await said('off');
  assert.equal(stops().length, 1);
});

test('STOP stays in sight however far the page is scrolled', standinOnly, async () => {
  await page.evaluate(() => scrollTo(0, document.body.scrollHeight));
  const box = await page.locator(hook('stop')).boundingBox();
  assert.ok(box.y >= 0 && box.y + box.height <= 900, JSON.stringify(box));
  assert.ok(box.width >= 100 && box.height >= 60, JSON.stringify(box));
});

test('what is not confirmed is said to be not confirmed, and what to do', standinOnly, async () => {
  served.world.stopDoes = 'silent';
  await page.locator(hook('stop')).click();
  assert.match(await said('asked'), /Waiting for off/);
  assert.match(await said('not_confirmed'), /NOT confirmed.*cut the power by hand/);
  served.world.end(1, 'stopped');
  assert.match(await said('off'), /confirmed off/);
});

test('an alarm after STOP is said at once', standinOnly, async () => {
  served.world.stopDoes = 'alarm';
  await page.locator(hook('stop')).click();
  assert.match(await said('not_confirmed'), /NOT confirmed.*cut the power by hand/);
  assert.match(await page.locator(hook('headline')).innerText(), /ALARM/);
});

test('an old “off” confirms nothing', standinOnly, async () => {
  served.world.stopDoes = 'silent';
  served.world.setBench({ guard: 'safe', outputs: 'off' });
  await page.waitForSelector(`${hook('bar-row')}[data-guard="safe"]`);
  served.world.setBench({ guard: 'running', outputs: 'live' });
  // Nor does one that is over before the daemon has even answered.
  served.delayMs = 500;
  await page.locator(hook('stop')).click();
  await said('asking');
  served.world.setBench({ guard: 'safe', outputs: 'off' });
  served.world.setBench({ guard: 'running', outputs: 'live' });
  assert.match(await said('not_confirmed'), /NOT confirmed/);
});

test('a stop that the daemon refuses is shown with its own words', standinOnly, async () => {
  served.world.token = 'another';
  await page.locator(hook('stop')).click();
  const words = await said('not_confirmed');
  assert.match(words, /This request carried no valid token, so nothing was changed\./);
  assert.match(words, /cut the power by hand/);
});

test('a connection lost before off was confirmed leaves it not confirmed', standinOnly, async () => {
  served.world.stopDoes = 'silent';
  await page.locator(hook('stop')).click();
  await said('asked');
  served.cut();
  await page.waitForSelector('body[data-connection="lost"]');
  assert.match(await page.locator(hook('stop-said')).innerText(), /Connection lost before off was confirmed.*cut the power by hand/);
});

test('with several benches each has its own STOP, and Escape twice stops all', standinOnly, async () => {
  served.world.others = [{ ...served.world.bench, bench: 'loft', name: 'loft bench', guard: 'safe', outputs: 'off', job: null }];
  await page.reload();
  await page.waitForSelector(`${hook('stop')}[data-bench="loft"]`);
  await page.waitForSelector('body[data-connection="live"]');
  assert.deepEqual(await page.locator(hook('headline')).allInnerTexts(), ['virtual bench: Running', 'loft bench: Safe']);
  await page.locator(`${hook('stop')}[data-bench="loft"]`).click();
  await said('off');
  assert.deepEqual(stops().map((request) => request.path), ['benches/loft/stop']);
  assert.equal(served.world.bench.outputs, 'live');
  await page.keyboard.press('Escape');
  await page.keyboard.press('Escape');
  await page.waitForFunction((rows) => document.querySelectorAll(`${rows}[data-outputs="off"]`).length === 2, hook('bar-row'));
  assert.deepEqual(stops().slice(1).map((request) => request.path), ['stop']);
});
