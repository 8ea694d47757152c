// A whole run of the daemon itself, watched and stopped on its page.

import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { findings } from './axe.mjs';
import { hook, launch, open } from './browser.mjs';
import { Real } from './real.mjs';

const NAMES = ['out_vrms', 'active_w', 'thd_pct', 'thdn_pct', 'noise_vrms', 'gain_db', 'dc_v', 'residue_vrms', 'crest_factor', 'flat_top_pct'];

let browser;
let served;
before(async () => { [browser, served] = [await launch(), await new Real().start()]; });
after(async () => { await browser.close(); await served.close(); });

/** From now on keeps what the page shows of each step, as soon as it shows it. */
async function keepSteps(page) {
  await page.evaluate(([names, box]) => {
    globalThis.seenSteps = {};
    const look = () => {
      const step = document.querySelector('[data-step]')?.dataset.step;
      const table = document.querySelector(box);
      if (!step || !table) return;
      const channels = table.querySelectorAll('tbody tr:first-child td').length;
      globalThis.seenSteps[step] = Array.from({ length: channels }, (_, at) => Object.fromEntries(names.map((name) =>
        [name, table.querySelector(`td:nth-of-type(${at + 1}) [data-name="${name}"]`)?.dataset.value])));
    };
    new MutationObserver(look).observe(document.body, { subtree: true, childList: true, attributes: true, characterData: true });
    look();
  }, [NAMES, hook('last-step')]);
}

test('a run is added, watched to its end, and is on the page what it is in its files', { timeout: 180_000 }, async () => {
  const page = await open(browser, served, { hash: '#/queue' });
  await page.waitForSelector(`${hook('script-choice')} option[value="rated_power.rhai"]`, { state: 'attached' });
  await page.locator(hook('script-choice')).selectOption('rated_power.rhai');
  await page.locator(`${hook('submit')} button[type="submit"]`).click();
  await page.waitForSelector(hook('added'));
  await page.evaluate(() => { location.hash = '#/'; });
  await page.waitForSelector('[data-step]', { timeout: 30_000 });
  await keepSteps(page);
  await page.waitForSelector(`${hook('bar-row')}[data-guard="closed"]`, { timeout: 120_000 });
  const { jobs: [job] } = await served.ask('jobs');
  assert.equal(job.outcome, 'meets');
  const rows = await served.rows(job.run, 'steps.csv');
  const seen = await page.evaluate(() => globalThis.seenSteps);
  const steps = new Set(rows.map((row) => row.step));
  assert.ok(Object.keys(seen).length >= 0.8 * steps.size, `${Object.keys(seen).length} of ${steps.size} steps were shown`);
  for (const [step, channels] of Object.entries(seen)) {
    for (const row of rows.filter((one) => one.step === step)) {
      for (const name of NAMES) assert.equal(Number(channels[row.channel - 1][name]), Number(row[name]), `step ${step}, channel ${row.channel}, ${name}`);
    }
  }
  const { ratings } = await served.json(job.run, 'ratings.json');
  const shown = await page.locator(`${hook('ratings-so-far')} ${hook('measured')} .quantity`).evaluateAll((nodes) => nodes.map((node) => Number(node.dataset.value)));
  assert.deepEqual(shown, ratings.map((rating) => rating.measured_w));
  // Every figure of the run's page is drawn, and nobody is kept from it.
  await page.evaluate((run) => { location.hash = `#/runs/${run}`; }, job.run);
  await page.waitForSelector(hook('ratings'));
  await page.waitForFunction(() => [...document.querySelectorAll('figure img')].filter((image) => image.naturalWidth > 0).length === 4);
  assert.deepEqual(await findings(page, 'the run'), []);
  assert.deepEqual(page.faults, []);
  await page.context().close();
  await theReport(job.run, ratings);
});

/** The report says what was measured, in light and dark, and loads and runs nothing. */
async function theReport(run, ratings) {
  const answer = await fetch(`${served.url}/api/v1/runs/${run}/report`);
  assert.match(answer.headers.get('content-security-policy'), /default-src 'none'.*sandbox/);
  const html = await answer.text();
  for (const colorScheme of ['light', 'dark']) {
    const context = await browser.newContext({ colorScheme, viewport: { width: 1280, height: 900 } });
    const page = await context.newPage();
    page.on('request', (request) => assert.fail(`the report asks for ${request.url()}`));
    await page.setContent(html);
    const text = await page.locator('body').innerText();
    for (const { measured_w } of ratings) assert.ok(text.includes(measured_w.toPrecision(4)), `${measured_w} W in the report`);
    assert.deepEqual(await findings(page, `report, ${colorScheme}`), []);
    await context.close();
  }
}

test('STOP on the page ends safe within a second', { timeout: 90_000 }, async () => {
  const page = await open(browser, served);
  const { job } = await served.submit();
  await page.waitForSelector(`${hook('bar-row')}[data-outputs="live"]`, { timeout: 30_000 });
  const clicked = performance.now();
  await page.locator(hook('stop')).click();
  await page.waitForSelector(`${hook('bar-row')}[data-outputs="off"]`);
  const took_ms = performance.now() - clicked;
  assert.ok(took_ms < 1000, `${took_ms} ms`);
  await page.waitForSelector(`${hook('stop-said')}[data-phase="off"]`);
  let ended;
  do ended = await served.ask(`jobs/${job}`); while (ended.state !== 'ended');
  assert.equal(ended.outcome, 'stopped');
  const record = await served.json(ended.run, 'run.json');
  assert.deepEqual([record.outcome, record.safe.source_off, record.safe.supply_off], ['stopped', true, true]);
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test('a daemon that dies is a lost connection at once, and never a calm bench', { timeout: 90_000 }, async () => {
  const page = await open(browser, served);
  await served.submit();
  await page.waitForSelector(`${hook('bar-row')}[data-outputs="live"]`, { timeout: 30_000 });
  await served.kill();
  await page.waitForSelector('body[data-connection="lost"]', { timeout: 6_000 });
  assert.equal(await page.locator(hook('bar-row')).first().getAttribute('data-outputs'), 'unknown');
  await page.context().close();
});
