// Takes pictures of every view in every size and theme, for a person to look at: node tests/page/shots.mjs [FOLDER]

import { mkdirSync } from 'node:fs';
import { NARROW, WIDE, daemon, go, hook, launch, open } from './browser.mjs';
import { RUN } from './standin/recorded.mjs';

const folder = process.argv[2] ?? new URL('shots', import.meta.url).pathname;
mkdirSync(folder, { recursive: true });
const browser = await launch();

/** A picture of the whole page; the bar is shown where the page begins. */
async function shot(page, name) {
  await page.evaluate(() => scrollTo(0, 0));
  await page.waitForTimeout(350);
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  if (wide > 0) process.stdout.write(`${name}: ${wide} px too wide\n`);
  await page.screenshot({ path: `${folder}/${name}.png`, fullPage: true });
}

for (const [sizeName, size] of [['wide', WIDE], ['narrow', NARROW]]) {
  for (const scheme of ['light', 'dark']) {
    const standin = await daemon();
    const { world } = standin;
    const tag = `${sizeName}-${scheme}`;
    const page = await open(browser, standin, { size, scheme });
    await shot(page, `${tag}-idle`);
    const job = world.addJob().job;
    world.addJob({ hold: { heatsink_c_max: 40 }, state: 'held' });
    world.addJob();
    world.begin(job, 12);
    world.emit('log', { job, bench: 'virtual-bench', at_utc: world.now(), level: 'info', text: 'rating 1: meets' });
    world.emit('log', { job: null, bench: null, at_utc: world.now(), level: 'warn', text: 'disk: 3 GB left' });
    await page.waitForSelector(`${hook('figure-spectrum-image')}:not([hidden])`);
    await shot(page, `${tag}-live`);
    await page.screenshot({ path: `${folder}/${tag}-live-top.png` });
    await go(page, '#/queue');
    await shot(page, `${tag}-queue`);
    await go(page, '#/runs');
    await page.waitForSelector(hook('runs'));
    await shot(page, `${tag}-runs`);
    await go(page, `#/runs/${RUN}`);
    await page.waitForSelector(`${hook('figure-spectrum-image')}:not([hidden])`);
    await page.locator(`${hook('steps-box')} summary`).click();
    await shot(page, `${tag}-run`);
    await go(page, `#/compare?run=${RUN}&run=20261120T201500Z-steady-100`);
    await page.waitForSelector(`${hook('figure-compare-image')}:not([hidden])`);
    await shot(page, `${tag}-compare`);
    await go(page, '#/find?verdict=short&sort=ratio');
    await page.waitForSelector(hook('found'));
    await shot(page, `${tag}-find`);
    await go(page, `#/entries/${'5'.padStart(64, '0')}`);
    await page.waitForSelector(hook('entry-ratings'));
    await shot(page, `${tag}-entry`);
    await go(page, '#/units/SN0003');
    await page.waitForSelector(hook('found'));
    await shot(page, `${tag}-unit`);
    await go(page, '#/');
    await page.waitForSelector(`${hook('figure-spectrum-image')}:not([hidden])`);
    standin.cut();
    await page.waitForSelector('body[data-connection="lost"]');
    await shot(page, `${tag}-lost`);
    standin.comeBack();
    await page.waitForSelector('body[data-connection="live"]');
    world.stopDoes = 'silent';
    await page.locator(hook('stop')).click();
    await page.waitForSelector('[data-phase="not_confirmed"]');
    await page.screenshot({ path: `${folder}/${tag}-stop.png` });
    world.trip('heatsink above 95 °C: read 96.2 °C at channel 1');
    await page.waitForSelector(hook('latch-number'));
    await shot(page, `${tag}-trip`);
    const viewer = await open(browser, standin, { size, scheme, token: false });
    await viewer.screenshot({ path: `${folder}/${tag}-viewonly.png` });
    for (const fault of [...page.faults, ...viewer.faults]) process.stdout.write(`${tag}: ${fault}\n`);
    await page.context().close();
    await viewer.context().close();
    await standin.close();
  }
}
await browser.close();
