// The page keeps its shape: nothing too wide on a phone, both themes, targets large enough to be hit.

import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { NARROW, WIDE, daemon, go, hook, launch, open, standinOnly } from './browser.mjs';
import { RUN } from './standin/recorded.mjs';

const VIEWS = ['#/', '#/queue', '#/runs', `#/runs/${RUN}`, '#/compare', `#/compare?run=${RUN}&run=20261120T201500Z-steady-100`,
  '#/find', `#/entries/${'5'.padStart(64, '0')}`, '#/units/SN0003'];
let browser;
let served;
before(async () => {
  [browser, served] = [await launch(), await daemon()];
  if (!served.world) return;
  served.world.begin(served.world.addJob().job, 14);
  served.world.addJob({ hold: { until_utc: '2026-12-01T22:30:00Z' }, state: 'held' });
});
after(async () => { await browser.close(); await served.close(); });

// WCAG 2.2, 1.4.10 Reflow asks for 320 px; phones of 360 px are what people hold.
test('no view scrolls sideways at 360 and at 320 px', async () => {
  for (const width of [360, 320]) {
    const page = await open(browser, served, { size: { ...NARROW, width } });
    for (const hash of VIEWS) {
      await go(page, hash);
      await page.waitForTimeout(600);
      await page.evaluate(() => document.querySelectorAll('details').forEach((box) => { box.open = true; }));
      const [inside, room] = await page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]);
      assert.ok(inside <= room, `${hash} at ${width} px is ${inside} px wide`);
    }
    await page.context().close();
  }
});

test('long names and texts break rather than push', standinOnly, async () => {
  const page = await open(browser, served, { size: NARROW });
  served.world.setBench({ name: 'b'.repeat(120), file: `/home/${'x'.repeat(200)}/bench.toml` });
  served.world.setJob(1, { amplifier: 'W'.repeat(150), selfcheck: 'y'.repeat(150), error: 'z'.repeat(300) });
  await page.waitForFunction(() => document.body.innerText.includes('WWWW'));
  for (const hash of ['#/', '#/queue']) {
    await go(page, hash);
    await page.waitForTimeout(300);
    const [inside, room] = await page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]);
    assert.ok(inside <= room, `${hash} is ${inside} px wide`);
  }
  served.world.setBench({ name: 'virtual bench', file: '/home/bench/bench.toml' });
  served.world.setJob(1, { amplifier: 'Lindqvold Sample Works Steady 100', selfcheck: '36 ok', error: null });
  await page.context().close();
});

test('the theme is the one that the system asks for', async () => {
  const lightness = async (scheme) => {
    const page = await open(browser, served, { scheme });
    const colour = await page.evaluate(() => getComputedStyle(document.body).backgroundColor);
    await page.context().close();
    return colour.match(/\d+/g).slice(0, 3).reduce((sum, part) => sum + Number(part), 0) / 3;
  };
  assert.ok(await lightness('light') > 200);
  assert.ok(await lightness('dark') < 60);
});

// WCAG 2.2, 2.5.8 Target Size (Minimum): 24 by 24 CSS px; links within a sentence are exempt.
test('what is pressed is at least 24 px in both directions', async () => {
  const page = await open(browser, served, { size: NARROW });
  for (const hash of VIEWS) {
    await go(page, hash);
    await page.waitForTimeout(400);
    const small = await page.evaluate(() => [...document.querySelectorAll('button, input, select, summary, .button, nav a')]
      .filter((node) => node.checkVisibility())
      .map((node) => [node.outerHTML.slice(0, 80), node.getBoundingClientRect()])
      .filter(([, box]) => Math.min(box.width, box.height) < 24)
      .map(([html, box]) => `${html} ${box.width}×${box.height}`));
    assert.deepEqual(small, [], hash);
  }
  await page.context().close();
});

test('STOP is large and in sight on a phone', async () => {
  const page = await open(browser, served, { size: NARROW });
  await page.evaluate(() => scrollTo(0, document.body.scrollHeight));
  const box = await page.locator(hook('stop')).first().boundingBox();
  assert.ok(box.y >= 0 && box.y + box.height <= NARROW.height && box.width >= 90 && box.height >= 60, JSON.stringify(box));
  const bar = await page.locator('#bar').boundingBox();
  assert.ok(bar.height <= NARROW.height / 3, `the bar takes ${bar.height} px`);
  await page.context().close();
});

// WCAG 2.2, 1.4.4 Resize Text: 200 %, here by half the width.
test('at twice the text size nothing is lost', async () => {
  const page = await open(browser, served, { size: { width: WIDE.width / 2, height: WIDE.height / 2 } });
  const [inside, room] = await page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]);
  assert.ok(inside <= room);
  await page.context().close();
});
