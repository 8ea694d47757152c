// Sixteen benches at one daemon: what must be seen at once is, and nothing of one is taken for another's.
//
// Project definition; the least size of a target is WCAG 2.2, 2.5.8 Target Size (Minimum).

import assert from 'node:assert/strict';
import { after, afterEach, before, beforeEach, test } from 'node:test';
import { findings } from './axe.mjs';
import { NARROW, WIDE, daemon, go, hook, launch, open, standinOnly } from './browser.mjs';

const OTHERS = 15;
let browser;
let served;
let page;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });
beforeEach(async () => {
  served = await daemon();
  if (!served.world) return;
  const { world } = served;
  const other = (_, at) => ({ ...world.bench, bench: `honest-${at}`, name: `virtual honest ${at}`, guard: 'closed', outputs: 'off', job: null });
  world.others = Array.from({ length: OTHERS }, other);
  world.begin(world.addJob().job, 3);
});
afterEach(async () => {
  await page?.context().close();
  await served.close();
});

const stops = () => served.world.requests.filter((request) => /(^|\/)stop$/.test(request.path)).map((request) => request.path);
const row = (bench) => page.locator(`${hook('bar-row')}:has([data-bench="${bench}"])`);

test('every bench and its STOP is in sight at once, however far the page is scrolled', standinOnly, async () => {
  page = await open(browser, served);
  await page.evaluate(() => scrollTo(0, document.body.scrollHeight));
  const boxes = await Promise.all((await page.locator(hook('stop')).all()).map((button) => button.boundingBox()));
  assert.equal(boxes.length, OTHERS + 1);
  for (const box of boxes) {
    assert.ok(box.y >= 0 && box.y + box.height <= WIDE.height, JSON.stringify(box));
    assert.ok(box.width >= 44 && box.height >= 44, JSON.stringify(box));
  }
  assert.match(await page.locator(hook('bar-counts')).innerText(), /^16 benches: 1 running, 15 no run$/);
});

test('STOP all comes first, is one request, and each bench says when it is off', standinOnly, async () => {
  page = await open(browser, served);
  await page.keyboard.press('Tab');
  assert.equal(await page.evaluate(() => document.activeElement.dataset.test), 'stop-all');
  await page.keyboard.press('Enter');
  await page.waitForFunction((said) => document.querySelectorAll(`${said}[data-phase="off"]`).length === 16, hook('stop-said'));
  assert.deepEqual(stops(), ['stop']);
});

test('STOP of one bench is that one alone', standinOnly, async () => {
  page = await open(browser, served);
  await row('honest-3').locator(hook('stop')).click();
  await row('honest-3').locator('[data-phase="off"]').waitFor();
  assert.deepEqual(stops(), ['benches/honest-3/stop']);
  assert.equal(served.world.bench.outputs, 'live');
});

test('a trip is told at its bench, in the counts and in the title, and the others go on', standinOnly, async () => {
  page = await open(browser, served);
  const tripped = Object.assign(served.world.others[6], { guard: 'tripped', latched: { cause: 'heatsink above 95 °C', at_utc: served.world.now(), alarm: false } });
  served.world.emit('bench', tripped);
  await page.waitForSelector(`${hook('bar-row')}[data-tone="trip"]`);
  assert.match(await row('honest-6').innerText(), /virtual honest 6\s*Tripped\s*Outputs off/);
  assert.equal(await page.locator(`${hook('bar-row')}[data-tone="trip"]`).count(), 1);
  assert.match(await page.locator(hook('bar-counts')).innerText(), /1 tripped, 1 running, 14 no run$/);
  assert.match(await page.title(), /^virtual honest 6: Tripped/);
  assert.match(await row('virtual-bench').innerText(), /Running/);
});

test('a bench that could not be opened says so, and why', standinOnly, async () => {
  Object.assign(served.world.others[2], { lost: 'bench file /home/bench/two.toml: it is not there' });
  page = await open(browser, served, { hash: '#/?bench=honest-2' });
  assert.match(await row('honest-2').innerText(), /Can’t be opened/);
  assert.match(await page.locator(hook('bench-lost')).innerText(), /two\.toml: it is not there/);
});

test('one bench is shown, the one that runs unless another is chosen, and stays', standinOnly, async () => {
  page = await open(browser, served);
  await page.waitForSelector(hook('bench-virtual-bench'));
  served.world.emit('bench', Object.assign(served.world.others[0], { guard: 'alarm', outputs: 'unknown' }));
  await page.waitForSelector(`${hook('bar-row')}[data-tone="alarm"]`);
  assert.equal(await page.locator(hook('bench-virtual-bench')).count(), 1, 'what is looked at does not change by itself');
  await row('honest-4').locator('a').click();
  await page.waitForSelector(hook('bench-honest-4'));
  assert.equal(await page.locator('.bench').count(), 1);
  await page.locator(hook('bench-shown')).selectOption('honest-9');
  await page.waitForSelector(hook('bench-honest-9'));
  assert.match(page.url(), /bench=honest-9/);
  await go(page, '#/?bench=nowhere');
  await page.waitForSelector('text=There is no bench “nowhere” here.');
});

test('queue, messages and what ended tell the bench', standinOnly, async () => {
  const { world } = served;
  world.addJob({ bench: 'honest-1' });
  world.addJob({ bench: 'honest-0' });
  world.addJob({ bench: 'honest-2', state: 'ended', ended_utc: world.now(), outcome: 'meets', position: null });
  page = await open(browser, served, { hash: '#/queue' });
  await page.waitForSelector(hook('job-3'));
  const told = await page.locator(hook('job-bench')).allInnerTexts();
  assert.deepEqual(told.map((text) => text.trim()), ['virtual bench,', 'virtual honest 0,', 'virtual honest 1,']);
  assert.match(await page.locator(hook('ended')).innerText(), /virtual honest 2/);
  assert.equal(await page.locator('#submit-bench').inputValue(), '', 'no bench is taken by default');
  await go(page, '#/');
  world.emit('log', { job: null, bench: 'honest-5', at_utc: world.now(), level: 'warn', text: 'stopped by a person' });
  await page.waitForSelector('text=virtual honest 5: stopped by a person');
});

for (const size of [WIDE, NARROW]) {
  test(`nothing is too wide and axe has no finding at ${size.width} px`, standinOnly, async () => {
    Object.assign(served.world.others[3], { guard: 'alarm', outputs: 'unknown' });
    Object.assign(served.world.others[5], { lost: 'bench file /home/bench/two.toml: it is not there' });
    page = await open(browser, served, { size });
    await page.waitForSelector(`${hook('bar-row')}[data-tone="alarm"]`);
    assert.equal(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth), 0);
    assert.deepEqual(await findings(page, 'sixteen benches'), []);
    assert.deepEqual(page.faults, []);
  });
}
