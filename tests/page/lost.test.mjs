// A lost connection is shown at once and never looks like a calm bench; what was missed is caught up with.

import assert from 'node:assert/strict';
import { after, afterEach, before, beforeEach, test } from 'node:test';
import { daemon, hook, launch, open, standinOnly } from './browser.mjs';

let browser;
let served;
let page;
let job;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });
beforeEach(async () => {
  served = await daemon();
  if (!served.world) return;
  job = served.world.addJob().job;
  served.world.begin(job, 5);
  page = await open(browser, served);
  await page.waitForSelector('[data-step="5"]');
});
afterEach(async () => {
  await page?.context().close();
  await served.close();
});

const lost = (timeout) => page.waitForSelector('body[data-connection="lost"]', { timeout });
const back = () => page.waitForSelector('body[data-connection="live"]');

test('a stream that breaks is noticed within a second', standinOnly, async () => {
  served.cut();
  await lost(1000);
  const text = await page.locator('#lost').innerText();
  assert.match(text, /Connection lost/);
  assert.match(text, /unknown/);
  assert.match(text, /cut the power at the bench/);
  assert.equal(await page.locator(hook('headline')).innerText(), 'State unknown');
  assert.match(await page.locator(hook('stop-said')).innerText(), /STOP can’t be reached from here/);
  assert.match(await page.locator(hook('outputs')).innerText(), /unknown/);
  assert.match(await page.title(), /^State unknown/);
});

test('silence for five seconds counts as lost, although the connection stands', standinOnly, async () => {
  const began = Date.now();
  served.mute();
  await lost(8000);
  const seconds = (Date.now() - began) / 1000;
  assert.ok(seconds > 2.5 && seconds < 6, `${seconds} s`);
});

test('old values are greyed and marked with their age', standinOnly, async () => {
  const value = page.locator(`${hook('supply_v')} .quantity`);
  const colour = () => value.evaluate((node) => getComputedStyle(node).color);
  const before = await colour();
  served.cut();
  await lost(1000);
  await page.waitForTimeout(2200);
  assert.notEqual(await colour(), before);
  const ages = await page.locator(`${hook('age')}:visible`).allInnerTexts();
  assert.ok(ages.length >= 4, String(ages.length));
  for (const age of ages) assert.match(age, /last heard [2-9]\ss ago/);
});

test('on return the missed events are asked for by the last id, and taken', standinOnly, async () => {
  served.cut();
  await lost(1000);
  const { last_event: last } = served.world.status(true);
  served.world.step(job);
  served.world.step(job);
  const before = served.world.requests.length;
  served.comeBack();
  await back();
  await page.waitForSelector('[data-step="7"]');
  assert.equal(served.eventRequests.at(-1), last);
  assert.ok(!served.world.requests.slice(before).some((request) => request.path === 'status'), 'nothing needs to be read again');
  assert.equal(await page.locator('#lost').isVisible(), false);
});

test('after a gap everything is read again, and nothing looks calm before', standinOnly, async () => {
  served.cut();
  await lost(1000);
  served.world.step(job);
  served.world.step(job);
  served.world.forget();
  served.delayMs = 700;
  served.comeBack();
  await page.waitForFunction(() => document.querySelector('#lost').innerText.includes('events were missed'));
  assert.equal(await page.locator(hook('headline')).innerText(), 'State unknown');
  await back();
  await page.waitForSelector('[data-step="7"]');
  assert.ok(served.world.requests.some((request) => request.path.endsWith('/steps')));
  served.delayMs = 0;
  served.world.step(job);
  await page.waitForSelector('[data-step="8"]');
});

test('a page that never reached the daemon says so', standinOnly, async () => {
  await page.route('**/api/v1/status', (route) => route.abort());
  await page.reload();
  await lost(2000);
  assert.match(await page.locator('#lost').innerText(), /Nothing was heard yet/);
  await page.unroute('**/api/v1/status');
  await back();
});
