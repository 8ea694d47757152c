// The queue: add, order, hold, release, cancel, from a list or with a text of one's own.

import assert from 'node:assert/strict';
import { after, afterEach, before, beforeEach, test } from 'node:test';
import { daemon, hook, launch, open, standinOnly } from './browser.mjs';

let browser;
let served;
let page;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });
beforeEach(async () => {
  served = await daemon();
  if (!served.world) return;
  page = await open(browser, served, { hash: '#/queue' });
  await page.waitForSelector(`${hook('script-choice')} option[value="rated_power.rhai"]`, { state: 'attached' });
});
afterEach(async () => {
  await page?.context().close();
  await served.close();
});

const posted = (ending) => served.world.requests.filter((request) => request.method === 'POST' && request.path.endsWith(ending));
const add = () => page.locator(`${hook('submit')} button[type="submit"]`).click();
const order = () => page.locator(`${hook('jobs')} > li`).evaluateAll((rows) => rows.map((row) => Number(row.dataset.key)));

test('a job is added from the lists', standinOnly, async () => {
  await page.locator(hook('script-choice')).selectOption('burst_and_sustained.rhai');
  await add();
  assert.match(await page.locator(hook('added')).innerText(), /Job 1 is waiting at place 1/);
  assert.deepEqual(posted('jobs')[0].body, {
    bench: 'virtual-bench', script: { name: 'burst_and_sustained.rhai' }, nameplate: { name: 'amplifier.toml' }, set: {}, hold: null, without_selfcheck: false,
  });
});

test('a script’s parameters are fields with unit, limits and default, and what is changed is set', standinOnly, async () => {
  const box = page.locator(hook('parameters'));
  assert.equal(await box.isVisible(), false, 'a script without parameters shows none');
  await page.locator(hook('script-choice')).selectOption('sag.rhai');
  const low = page.getByLabel('lowest supply voltage (low_v), V');
  assert.equal(await low.inputValue(), '11');
  assert.equal(await page.locator('#parameter-low_v-hint').innerText(), '9.5 to 14 V; default 11 V');
  assert.equal(await low.getAttribute('aria-describedby'), 'parameter-low_v-hint');
  await low.fill('60');
  await add();
  assert.equal(await low.evaluate((node) => node.validity.rangeOverflow && node === document.activeElement), true);
  assert.equal(posted('jobs').length, 0, 'what is outside the limits is not sent');
  await low.fill('10.5');
  await page.getByLabel('source levels (levels_vrms), V rms').fill('0.1, 5');
  assert.match(await page.locator(hook('parameter-levels_vrms')).evaluate((node) => node.validationMessage), /5 is outside 0\.01 to 2 V rms/);
  await add();
  assert.equal(posted('jobs').length, 0);
  await page.locator(hook('parameter-levels_vrms')).fill('0.1, 1');
  await page.locator(hook('parameter-noise')).selectOption('white');
  await page.getByLabel('every voltage twice (thorough)').check();
  await add();
  await page.waitForSelector(hook('job-1'));
  assert.deepEqual(posted('jobs')[0].body.set, { low_v: '10.5', levels_vrms: '0.1, 1', noise: 'white', thorough: true });
  assert.match(await page.locator(hook('job-1')).innerText(), /low_v = 10\.5/);
  await page.locator(hook('script-choice')).selectOption('torn.rhai');
  assert.match(await page.locator(hook('submit')).innerText(), /torn\.rhai:3:1: there is no variable y here/);
});

test('parameters of a script of one’s own are typed by name', standinOnly, async () => {
  await page.locator(hook('script-choice')).selectOption({ label: 'A text of my own' });
  await page.locator(hook('script-text')).fill('settle();');
  await page.getByLabel('Parameters to set').fill('low_v=11\n\nlevels_vrms = 0.1,0.2\n');
  await add();
  await page.waitForSelector(hook('job-1'));
  assert.deepEqual(posted('jobs')[0].body.set, { low_v: '11', levels_vrms: '0.1,0.2' });
});

test('a script of one’s own goes as text, and what the daemon says of it is shown word by word', standinOnly, async () => {
  await page.locator(hook('script-choice')).selectOption({ label: 'A text of my own' });
  await page.locator('#script-file').setInputFiles({ name: 'endless.rhai', mimeType: 'text/plain', buffer: Buffer.from('while true {}') });
  await page.waitForFunction(() => document.querySelector('#script-name').value === 'endless.rhai');
  await add();
  assert.equal(await page.locator(`${hook('submit-said')} ${hook('detail')}`).innerText(), 'mine.rhai, line 1: the loop has no end');
  assert.equal(await page.locator(`${hook('submit-said')} ${hook('next')}`).innerText(), 'End the loop, then add it again.');
  await page.locator(hook('script-text')).fill('measure();');
  await add();
  await page.waitForSelector(hook('added'));
  assert.deepEqual(posted('jobs')[1].body.script, { name: 'endless.rhai', text: 'measure();' });
});

test('a job can be held until a time, until it is cool, and by a person', standinOnly, async () => {
  const kind = page.locator(`${hook('submit')} ${hook('hold-kind')}`);
  await kind.selectOption('heatsink_c_max');
  await page.locator(`${hook('submit')} ${hook('hold-heat')}`).fill('37.5');
  await add();
  await page.waitForSelector(hook('job-1'));
  await kind.selectOption('until_utc');
  await page.locator(`${hook('submit')} ${hook('hold-time')}`).fill('2026-12-01T22:30');
  await add();
  await page.waitForSelector(hook('job-2'));
  await kind.selectOption('by_person');
  await add();
  await page.waitForSelector(hook('job-3'));
  const utc = await page.evaluate(() => new Date('2026-12-01T22:30').toISOString());
  assert.deepEqual(posted('jobs').map((request) => request.body.hold), [{ heatsink_c_max: 37.5 }, { until_utc: utc }, { by_person: true }]);
  assert.match(await page.locator(hook('job-1')).innerText(), /held until the heatsink is below 37\.5/);
  await page.locator(`${hook('job-3')} ${hook('release')}`).click();
  await page.waitForFunction((row) => document.querySelector(row).innerText.includes('waiting'), hook('job-3'));
  assert.deepEqual(posted('3/hold')[0].body, { hold: null });
});

test('jobs are moved, held and cancelled, and the focus stays where it was', standinOnly, async () => {
  for (let at = 0; at < 3; at++) served.world.addJob();
  await page.waitForSelector(hook('job-3'));
  const earlier = page.locator(`${hook('job-3')} ${hook('earlier')}`);
  await earlier.focus();
  await page.keyboard.press('Enter');
  await page.waitForFunction((list) => [...document.querySelectorAll(`${list} > li`)].map((row) => row.dataset.key).join() === '1,3,2', hook('jobs'));
  assert.equal(await earlier.evaluate((node) => node === document.activeElement), true);
  await page.locator(`${hook('job-1')} ${hook('later')}`).click();
  await page.waitForFunction((list) => [...document.querySelectorAll(`${list} > li`)].map((row) => row.dataset.key).join() === '3,1,2', hook('jobs'));
  assert.deepEqual(posted('/move').map((request) => request.body), [{ before: 2 }, { before: 2 }]);
  await page.locator(`${hook('job-2')} summary`).click();
  await page.locator(`${hook('job-2')} ${hook('hold-kind')}`).selectOption('by_person');
  await page.locator(`${hook('job-2')} ${hook('hold')}`).click();
  await page.waitForFunction((row) => document.querySelector(row).innerText.includes('until a person releases it'), hook('job-2'));
  await page.locator(`${hook('job-1')} ${hook('cancel')}`).click();
  await page.waitForSelector(hook('job-1'), { state: 'detached' });
  assert.deepEqual(await order(), [3, 2]);
  assert.match(await page.locator(hook('ended')).innerText(), /cancelled/);
});
