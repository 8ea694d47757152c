// No serious or critical finding of axe-core (WCAG 2.2 A and AA and its best practices), in every view, theme and size.

import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { findings } from './axe.mjs';
import { NARROW, WIDE, daemon, go, hook, launch, open, standinOnly } from './browser.mjs';
import { RUN } from './standin/recorded.mjs';

const LOOKS = [[WIDE, 'light'], [WIDE, 'dark'], [NARROW, 'light'], [NARROW, 'dark']];
let browser;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });

for (const [size, scheme] of LOOKS) {
  const look = `${size.width} px, ${scheme}`;

  test(`views at ${look}`, async () => {
    const served = await daemon();
    if (served.world) {
      served.world.begin(served.world.addJob().job, 14);
      served.world.addJob({ hold: { by_person: true }, state: 'held' });
      served.world.addJob();
      served.world.end(served.world.addJob({ run: RUN, state: 'ended' }).job, 'short');
      served.world.begin(served.world.addJob().job, 14);
      served.world.emit('log', { job: null, bench: null, at_utc: served.world.now(), level: 'error', text: 'disk full' });
    }
    const page = await open(browser, served, { size, scheme });
    const found = [];
    for (const hash of ['#/', '#/queue', '#/runs', `#/runs/${RUN}`, '#/compare', `#/compare?run=${RUN}&run=20261120T201500Z-steady-100`, '#/find', '#/find?serial=nobody', `#/entries/${'5'.padStart(64, '0')}`, '#/units/SN0003', '#/nowhere']) {
      await go(page, hash);
      await page.waitForTimeout(500);
      if (served.world && hash === '#/queue') await page.locator(hook('script-choice')).selectOption('sag.rhai');
      await page.evaluate(() => document.querySelectorAll('details').forEach((box) => { box.open = true; }));
      found.push(...await findings(page, hash));
    }
    assert.deepEqual(found, []);
    assert.deepEqual(page.faults, []);
    await page.context().close();
    await served.close();
  });

  test(`a read-only view at ${look}`, standinOnly, async () => {
    const served = await daemon();
    served.world.view = 'postgres://wattproof@server/wattproof';
    const page = await open(browser, served, { size, scheme });
    const found = [];
    for (const hash of ['#/', `#/entries/${'5'.padStart(64, '0')}`, '#/units/SN0003']) {
      await go(page, hash);
      await page.waitForTimeout(500);
      found.push(...await findings(page, `view ${hash}`));
    }
    served.cut();
    await page.waitForSelector('body[data-connection="lost"]');
    found.push(...await findings(page, 'lost view'));
    assert.deepEqual(found, []);
    await page.context().close();
    await served.close();
  });

  test(`stopped, tripped, alarm, view only and lost at ${look}`, standinOnly, async () => {
    const served = await daemon();
    served.world.begin(served.world.addJob().job, 14);
    const page = await open(browser, served, { size, scheme });
    await page.waitForSelector('[data-step="14"]');
    await page.locator(hook('stop')).click();
    await page.waitForSelector('[data-phase="off"]');
    const found = await findings(page, 'stopped');
    served.world.trip('heatsink above 95 °C');
    await page.waitForSelector(hook('latch-number'));
    found.push(...await findings(page, 'tripped'));
    served.world.setBench({ guard: 'alarm', outputs: 'unknown' });
    await page.waitForSelector('[data-tone="alarm"]');
    found.push(...await findings(page, 'alarm'));
    const viewer = await open(browser, served, { size, scheme, token: false });
    found.push(...await findings(viewer, 'view only'));
    served.cut();
    await page.waitForSelector('body[data-connection="lost"]');
    found.push(...await findings(page, 'lost'));
    await go(page, '#/queue');
    await page.waitForTimeout(300);
    found.push(...await findings(page, 'lost queue'));
    assert.deepEqual(found, []);
    await page.context().close();
    await viewer.context().close();
    await served.close();
  });
}
