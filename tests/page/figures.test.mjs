// Live figures follow the run, at most once a second and never two requests at a time.

import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { NARROW, daemon, hook, launch, open, standinOnly } from './browser.mjs';

let browser;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });

test('a figure is asked for after a step, but neither faster than once a second nor twice at a time', standinOnly, async () => {
  const served = await daemon();
  const { world } = served;
  const page = await open(browser, served);
  const job = world.addJob().job;
  world.begin(job, 1);
  served.delayMs = 300;
  const out = { now: 0, most: 0 };
  page.on('request', (request) => { if (request.url().includes('distortion.svg')) out.most = Math.max(out.most, ++out.now); });
  for (const event of ['requestfinished', 'requestfailed']) page.on(event, (request) => { if (request.url().includes('distortion.svg')) out.now--; });
  for (let at = 0; at < 15; at++) {
    world.step(job);
    await page.waitForTimeout(200);
  }
  await page.waitForTimeout(1800);
  const times = world.requests.filter((request) => request.path.endsWith('distortion.svg')).map((request) => request.at);
  assert.ok(times.length >= 3, `asked ${times.length} times`);
  for (let at = 1; at < times.length; at++) assert.ok(times[at] - times[at - 1] >= 1000, `${times[at] - times[at - 1]} ms apart`);
  assert.equal(out.most, 1);
  // Nothing is asked when nothing happens, and the last step is what is shown.
  const before = world.requests.length;
  await page.waitForTimeout(1500);
  assert.deepEqual(world.requests.slice(before).filter((request) => request.path.endsWith('.svg')), []);
  const waveforms = world.requests.filter((request) => request.path.endsWith('waveform.svg'));
  assert.equal(waveforms.at(-1).query.get('step'), '16');
  assert.match(await page.locator(hook('figure-waveform')).innerText(), /Waveform of step 16/);
  assert.match(await page.locator(hook('figure-waveform-image')).getAttribute('alt'), /Waveform.*step 16/);
  await page.context().close();
  await served.close();
});

test('on a phone figures are asked for in a width at which their words can be read', standinOnly, async () => {
  const served = await daemon();
  served.world.begin(served.world.addJob().job, 3);
  const page = await open(browser, served, { size: NARROW });
  await page.waitForSelector(`${hook('figure-distortion-image')}:not([hidden])`);
  const asked = served.world.requests.filter((request) => request.path.endsWith('distortion.svg'));
  assert.ok(asked.every((request) => request.query.get('width') === '360'), asked.map((request) => request.query.get('width')).join());
  await page.context().close();
  await served.close();
});

test('a figure that can’t be drawn says why in the daemon’s words', standinOnly, async () => {
  const served = await daemon();
  const job = served.world.addJob().job;
  served.world.begin(job, 0);
  const page = await open(browser, served);
  await page.waitForFunction((figure) => document.querySelector(figure)?.innerText.includes('has no step yet. Wait for its first step.'), hook('figure-distortion'));
  served.world.step(job);
  await page.waitForSelector(`${hook('figure-distortion-image')}:not([hidden])`);
  await page.context().close();
  await served.close();
});
