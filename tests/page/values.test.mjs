// What the page shows is what was recorded.

import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { daemon, hook, launch, open, standinOnly } from './browser.mjs';
import { RUN, csvLines, files, ratingsFile } from './standin/recorded.mjs';

let browser;
let served;
before(async () => { [browser, served] = [await launch(), await daemon()]; });
after(async () => { await browser.close(); await served.close(); });

test('the page opens, hears the daemon, and hides its token', async () => {
  const page = await open(browser, served);
  assert.equal(new URL(page.url()).hash, '#/');
  assert.equal(await page.evaluate(() => sessionStorage.getItem('wattproof-token')), served.token);
  assert.equal(await page.evaluate(() => localStorage.length), 0);
  assert.notEqual(await page.locator(hook('headline')).first().innerText(), '');
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test('live readings of every step are those of steps.csv, to the last digit', standinOnly, async () => {
  const { world } = served;
  const page = await open(browser, served);
  const job = world.addJob().job;
  world.begin(job);
  for (const wanted of [1, 4, 30]) {
    while (world.jobs.get(job).steps < wanted) world.step(job);
    await page.waitForSelector(`[data-step="${wanted}"]`);
    for (const line of csvLines().filter((one) => Number(one.step) === wanted)) {
      const column = page.locator(`${hook('last-step')} td:nth-of-type(${line.channel})`);
      for (const name of ['out_vrms', 'active_w', 'thd_pct', 'thdn_pct', 'dc_v', 'residue_vrms', 'flat_top_pct', 'crest_factor']) {
        assert.equal(await column.locator(`[data-name="${name}"]`).getAttribute('data-value'), String(Number(line[name])), `step ${wanted} ${name}`);
      }
      assert.equal(await page.locator(`${hook('supply_v')} .quantity`).getAttribute('data-value'), String(Number(line.supply_v)));
      assert.equal(await page.locator(`${hook('heatsink_c')} .quantity`).getAttribute('data-value'), String(Number(line.heatsink_c)));
    }
    assert.match(await page.locator(hook('doing')).innerText(), new RegExp(`step ${wanted} of 30`));
  }
  const measured = await page.locator(`${hook('ratings-so-far')} ${hook('measured')} .quantity`).evaluateAll((nodes) => nodes.map((node) => Number(node.dataset.value)));
  assert.deepEqual(measured, ratingsFile.ratings.map((rating) => rating.measured_w));
  world.end(job, 'meets');
  await page.waitForSelector(`${hook('bar-row')}[data-outputs="off"]`);
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test('a page that is opened in the middle of a run knows all of it', standinOnly, async () => {
  const { world } = served;
  const job = world.addJob().job;
  world.begin(job, 14);
  const page = await open(browser, served);
  await page.waitForSelector('[data-step="14"]');
  assert.equal(await page.locator(`${hook('ratings-so-far')} tbody tr`).count(), 2);
  world.step(job);
  await page.waitForSelector('[data-step="15"]');
  world.end(job, 'meets');
  await page.context().close();
});

test('findings come in while a run goes on and stay on its page', standinOnly, async () => {
  const { world } = served;
  const job = world.addJob().job;
  world.begin(job, 3);
  const page = await open(browser, served);
  await page.waitForSelector('[data-step="3"]');
  assert.equal(await page.locator(hook('findings-so-far')).isVisible(), false, 'nothing is said of findings where there is none');
  const finding = { finding: 1, at_s: 2.5, channel: 2, unit: 'A', at: 'no signal', note: '', low: null, high: 3 };
  world.find(job, { ...finding, name: 'idle current', value: 1.2345, expanded_u: 0.012, verdict: 'meets' });
  world.find(job, { ...finding, finding: 2, name: 'damping factor', channel: null, value: 98.5, unit: '', expanded_u: null, high: null, verdict: null });
  await page.waitForSelector(`${hook('findings-so-far')} tr:nth-child(2)`);
  const run = world.jobs.get(job).run;
  for (const table of ['findings-so-far', 'findings']) {
    const first = page.locator(`${hook(table)} tbody tr:nth-child(1)`);
    assert.equal(await first.locator('.quantity').first().getAttribute('data-value'), '1.2345');
    assert.match(await first.innerText(), /idle current, channel 2[^]*1\.234[^]*0\.012[^]*at most 3\.?0*\s*A[^]*no signal/);
    assert.equal(await first.locator('[data-outcome]').getAttribute('data-outcome'), 'meets');
    assert.match(await page.locator(`${hook(table)} tbody tr:nth-child(2)`).innerText(), /damping factor[^]*98\.5[^]*not judged/);
    if (table === 'findings-so-far') {
      world.end(job, 'meets');
      await page.goto(`${page.url().split('#')[0]}#/runs/${run}`);
      await page.waitForSelector(hook('findings'));
    }
  }
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test('the page of a run has its ratings, causes, every step, its files and its report', standinOnly, async () => {
  const page = await open(browser, served, { hash: `#/runs/${RUN}` });
  await page.waitForSelector(hook('ratings'));
  for (const { rating, verdict, evidence } of ratingsFile.ratings) {
    assert.equal(await page.locator(`${hook('ratings')} tr:nth-child(${rating}) [data-outcome]`).getAttribute('data-outcome'), verdict);
    const story = await page.locator(hook(`story-${rating}`)).innerText();
    for (const fact of evidence) assert.ok(story.includes(fact), fact);
  }
  await page.locator(`${hook('steps-box')} summary`).click();
  const powers = await page.locator(`${hook('steps')} [data-name="active_w"]`).evaluateAll((nodes) => nodes.map((node) => node.dataset.value));
  const worst = new Map();
  for (const line of csvLines()) if (!worst.has(line.step) || Number(line.thdn_pct) > Number(worst.get(line.step).thdn_pct)) worst.set(line.step, line);
  assert.deepEqual(powers, [...worst.values()].map((line) => String(Number(line.active_w))));
  const [download] = await Promise.all([page.waitForEvent('download'), page.locator(`${hook('files')} a`, { hasText: 'steps.csv' }).click()]);
  const bytes = await (await download.createReadStream()).toArray();
  assert.equal(Buffer.concat(bytes).toString(), files.find((file) => file.name === 'steps.csv').text);
  assert.equal(await page.locator(hook('report')).getAttribute('href'), `/api/v1/runs/${RUN}/report`);
  await page.context().close();
});

test('times are local with UTC in the title', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/runs' });
  const time = page.locator(`[data-row="${RUN}"] time`).first();
  assert.equal(await time.getAttribute('title'), '2026-11-26 11:42:18.922 (UTC)');
  await page.context().close();
});
