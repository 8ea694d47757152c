// Past runs: filter, comparison; and the cautions that every view ends with.

import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { after, before, test } from 'node:test';
import { daemon, go, hook, launch, open, standinOnly } from './browser.mjs';
import { RUN } from './standin/recorded.mjs';

const OLDER = '20261120T201500Z-steady-100';
let browser;
let served;
before(async () => { [browser, served] = [await launch(), await daemon()]; });
after(async () => { await browser.close(); await served.close(); });

const rows = (page) => page.locator(`${hook('runs')} tbody tr`).evaluateAll((found) => found.map((row) => row.dataset.row));

test('runs are listed newest first and filtered by words and verdict', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/runs' });
  await page.waitForSelector(hook('choose'));
  assert.deepEqual(await rows(page), [RUN, OLDER]);
  await page.locator(hook('filter-verdict')).selectOption('short');
  assert.deepEqual(await rows(page), [OLDER]);
  assert.equal(await page.locator(hook('count')).innerText(), '1 of 2 runs');
  await page.locator(hook('filter-verdict')).selectOption('meets');
  assert.deepEqual(await rows(page), [RUN]);
  await page.locator(hook('filter-verdict')).selectOption('');
  await page.locator(hook('filter-text')).fill('STEADY 1120');
  assert.deepEqual(await rows(page), [OLDER]);
  await page.locator(hook('filter-text')).fill('nothing like this');
  assert.match(await page.locator('main').innerText(), /No run fits this filter/);
  await page.context().close();
});

test('a run that ends while the list is shown comes onto it', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/runs' });
  await page.waitForSelector(hook('choose'));
  const job = served.world.addJob().job;
  const run = served.world.begin(job, 4);
  served.world.end(job, 'meets');
  await page.waitForSelector(`[data-row="${run}"] [data-outcome="finished"]`);
  await page.context().close();
});

test('two runs are laid over each other with what differs between them', standinOnly, async () => {
  const page = await open(browser, served, { hash: `#/compare?run=${RUN}&run=${OLDER}` });
  await page.waitForSelector(hook('compare-rows'));
  assert.match(await page.locator(hook('differences')).innerText(), /14\.4 V and 14\.2 V/);
  const values = await page.locator(`${hook('compare-rows')} tbody tr:nth-child(2) .quantity:not(.difference .quantity)`).evaluateAll((nodes) => nodes.map((node) => Number(node.dataset.value)));
  assert.deepEqual(values, served.world.runs.filter((run) => [RUN, OLDER].includes(run.run)).map((run) => run.ratings[1].measured));
  await page.waitForSelector(`${hook('figure-compare-image')}:not([hidden])`);
  const asked = served.world.requests.find((request) => request.path === 'compare.svg');
  assert.deepEqual(asked.query.getAll('run'), [RUN, OLDER]);
  await page.context().close();
});

test('a difference beyond its U is called significant, a limit that is not reached is said, runs of a unit can be joined', standinOnly, async () => {
  const page = await open(browser, served, { hash: `#/compare?run=${RUN}&run=${OLDER}` });
  await page.waitForSelector(hook('compare-quantities'));
  const rated = await page.locator(`${hook('compare-rows')} tbody tr`).allInnerTexts();
  assert.match(rated[0], /no difference shown/);
  assert.match(rated[1], /to A: significant/);
  assert.match(await page.locator(hook('compare-quantities')).innerText(), /the curve ends at 1\.074 %/);
  await page.waitForSelector(`${hook('figure-compare-bars-image')}:not([hidden])`);
  await page.locator(hook('by-unit')).click();
  await page.waitForFunction(() => location.hash.includes('by_unit=true'));
  await page.waitForSelector(hook('compare-rows'));
  assert.ok(served.world.requests.some((request) => request.path === 'compare' && request.query.get('by_unit') === 'true'));
  await page.context().close();
});

test('runs that are not comparable are shown only when asked for all the same, with the reasons above', standinOnly, async () => {
  served.world.incomparable = true;
  const page = await open(browser, served, { hash: `#/compare?run=${RUN}&run=${OLDER}` });
  await page.waitForSelector(hook('reasons'));
  assert.match(await page.locator(hook('reasons')).innerText(), /mains frequency/);
  assert.equal(await page.locator(hook('compare-rows')).count(), 0);
  await page.locator(hook('compare-anyway')).click();
  await page.waitForSelector(hook('compare-rows'));
  assert.match(await page.locator(hook('incomparable')).innerText(), /not comparable/);
  served.world.incomparable = false;
  await page.context().close();
});

test('a run that does not exist is told with the daemon’s words', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/runs/gone' });
  await page.waitForSelector(hook('detail'));
  assert.equal(await page.locator(hook('detail')).innerText(), 'There is no run gone.');
  assert.equal(await page.locator(hook('next')).innerText(), 'See the list of runs.');
  await page.context().close();
});

test('every view ends with the cautions, word by word as the command line has them', async () => {
  const source = readFileSync(new URL('../../daemon/report/src/cautions.rs', import.meta.url), 'utf8');
  const wanted = /CAUTIONS: &str = "\\\n([^"]+)"/.exec(source)[1].replace(/^Cautions\. /, '').replace(/\s+/g, ' ');
  const page = await open(browser, served);
  for (const hash of ['#/', '#/queue', '#/runs', '#/compare']) {
    await go(page, hash);
    assert.equal(await page.locator('#cautions').textContent(), wanted);
    assert.equal(await page.locator('#cautions').isVisible(), true);
  }
  await page.context().close();
});
