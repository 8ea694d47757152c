// A read-only view over the records of many benches: search, entries and units alone; it says what it is and over what.

import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { NARROW, daemon, go, hook, launch, open, standinOnly } from './browser.mjs';

const PLACE = 'postgres://wattproof@server/wattproof';
let browser;
let served;
before(async () => {
  [browser, served] = [await launch(), await daemon()];
  if (served.world) served.world.view = PLACE;
});
after(async () => { await browser.close(); await served.close(); });

test('a view begins with the search, has no STOP and nothing of a bench, and says over what it is', standinOnly, async () => {
  for (const token of [true, false]) {
    const page = await open(browser, served, { token });
    await page.waitForSelector(hook('found'));
    assert.equal(await page.locator(hook('headline')).innerText(), 'Read-only view');
    assert.match(await page.locator(hook('meaning')).innerText(), new RegExp(`^Over ${PLACE}\\. No bench is here: STOP is on the page of each bench`));
    assert.equal(await page.locator('.stop').count(), 0);
    assert.deepEqual(await page.locator('#nav a:visible').allInnerTexts(), ['Search']);
    assert.equal(await page.locator('#view-only').isVisible(), false);
    assert.match(await page.title(), /^Read-only view – Search – /);
    assert.equal(await page.locator('#cautions').isVisible(), true);
    await page.context().close();
  }
});

test('entries and units are shown, queue and runs are not there', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/units/SN0003', size: { ...NARROW, width: 320 } });
  await page.waitForSelector(hook('found'));
  await page.locator(hook('found-run')).first().click();
  await page.waitForSelector(hook('entry-ratings'));
  const [inside, room] = await page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]);
  assert.ok(inside <= room, `${inside} px wide`);
  for (const hash of ['#/queue', '#/runs', '#/compare', '#/runs/any']) {
    await go(page, hash);
    await page.waitForFunction(() => document.querySelector('main h1')?.innerText === 'No such page', null, { timeout: 5000 });
  }
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test('Escape twice asks for nothing', standinOnly, async () => {
  const page = await open(browser, served);
  await page.waitForSelector(hook('found'));
  await page.keyboard.press('Escape');
  await page.keyboard.press('Escape');
  await page.waitForTimeout(300);
  assert.deepEqual(served.world.requests.filter((request) => request.method !== 'GET'), []);
  await page.context().close();
});

test('a lost connection says that what is shown is old, and sends nobody to a bench', standinOnly, async () => {
  const own = await daemon();
  own.world.view = PLACE;
  const page = await open(browser, own);
  await page.waitForSelector(hook('found'));
  own.cut();
  await page.waitForSelector('body[data-connection="lost"]');
  assert.equal(await page.locator(hook('headline')).innerText(), 'Connection lost');
  const said = await page.locator('#lost').innerText();
  assert.match(said, /What is shown below is old/);
  assert.doesNotMatch(said, /outputs? as live|STOP/);
  await page.context().close();
  await own.close();
});
