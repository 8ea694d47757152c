// The search over the catalogue: what is asked, what is shown, its order, pages, addresses; an entry; a unit's history.

import assert from 'node:assert/strict';
import { readFile } from 'node:fs/promises';
import { after, before, test } from 'node:test';
import { daemon, go, hook, launch, open, standinOnly } from './browser.mjs';
import { RUN } from './standin/recorded.mjs';

const KEY = '1'.padStart(64, '0');
let browser;
let served;
before(async () => { [browser, served] = [await launch(), await daemon()]; });
after(async () => { await browser.close(); await served.close(); });

const rows = (page) => page.locator(`${hook('found')} tbody tr`).evaluateAll((found) => found.map((row) => row.dataset.row));
const count = (page) => page.locator(hook('found-count')).innerText();
const counted = (page, words) => page.waitForFunction(([said, text]) => document.querySelector(said)?.innerText === text, [hook('found-count'), words]);
const lastAsked = () => served.world.requests.filter((request) => request.path === 'find').at(-1).query;
/** What the search must show, worked out here from all that the catalogue holds. */
const expected = (fits, by, way = 1) => served.world.catalogue.filter(fits)
  .sort((a, b) => way * (by(a) < by(b) ? -1 : by(a) > by(b) ? 1 : a.key < b.key ? -1 : 1)).map((run) => run.key);

test('everything is found, newest first, fifty at a time', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/find' });
  await counted(page, '1 to 50 of 131 runs');
  const all = expected(() => true, (run) => run.started_utc, -1);
  assert.deepEqual(await rows(page), all.slice(0, 50));
  await page.locator(hook('page-next')).click();
  await counted(page, '51 to 100 of 131 runs');
  assert.deepEqual(await rows(page), all.slice(50, 100));
  assert.match(page.url(), /#\/find\?offset=50$/);
  await page.locator(hook('page-next')).click();
  await counted(page, '101 to 131 of 131 runs');
  assert.deepEqual(await rows(page), all.slice(100));
  assert.equal(await page.locator(hook('page-next')).isDisabled(), true);
  await page.goBack();
  await counted(page, '51 to 100 of 131 runs');
  await page.locator(hook('page-first')).click();
  await counted(page, '1 to 50 of 131 runs');
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test('each field asks for what it says, and the address keeps it', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/find' });
  await page.waitForSelector(hook('found'));
  const asked = { serial: 'SN0004', maker: 'invented', model: 'example', from: '2031-02-01', to: '2031-11-30', script: 'sag.rhai', bench: 'south bench' };
  for (const [name, value] of Object.entries(asked)) await page.locator(hook(`find-${name}`)).fill(value);
  await page.locator(hook('find-verdict')).selectOption('short');
  await page.locator(hook('find-cause')).selectOption('sag');
  await page.keyboard.press('Enter');
  await page.locator(hook('find-go')).click();
  const fits = (run) => run.serial === 'SN0004' && run.maker.toLowerCase().includes('invented') && run.script === 'sag.rhai'
    && run.bench === 'south bench' && run.verdict === 'short' && run.ratings[0].cause === 'sag' && run.started_utc > '2031-02' && run.started_utc < '2031-12';
  const keys = expected(fits, (run) => run.started_utc, -1);
  assert.ok(keys.length > 0);
  await page.waitForFunction(([all, number]) => document.querySelectorAll(all).length === number, [`${hook('found')} tbody tr`, keys.length]);
  assert.deepEqual(await rows(page), keys);
  for (const [name, value] of Object.entries({ ...asked, verdict: 'short', cause: 'sag' })) assert.equal(lastAsked().get(name), value, name);
  const address = page.url();
  const again = await open(browser, served, { hash: new URL(address).hash });
  await again.waitForSelector(hook('found'));
  assert.deepEqual(await rows(again), keys);
  assert.equal(await again.locator(hook('find-serial')).inputValue(), 'SN0004');
  assert.equal(await again.locator(hook('find-cause')).inputValue(), 'sag');
  await again.locator(hook('find-clear')).click();
  await counted(again, '1 to 50 of 131 runs');
  assert.equal(await again.locator(hook('find-serial')).inputValue(), '');
  await page.context().close();
  await again.context().close();
});

// WAI-ARIA Authoring Practices, sortable table: a button in the head, aria-sort on the one column that is in order.
test('a column’s head puts the rows in order, both ways, and keeps the focus', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/find?serial=SN0002' });
  await page.waitForSelector(hook('found'));
  const sorted = () => page.locator(`${hook('found')} th[aria-sort]`).evaluateAll((heads) => heads.map((head) => [head.innerText.replace(/\s*[↑↓]$/, ''), head.getAttribute('aria-sort')]));
  assert.deepEqual(await sorted(), [['Started', 'descending']]);
  const ratio = page.locator('.sorts[data-sorts="Worst rating"]');
  await ratio.focus();
  await page.keyboard.press('Enter');
  await page.waitForSelector('th[aria-sort="ascending"] [data-sorts="Worst rating"]');
  assert.deepEqual(await sorted(), [['Worst rating', 'ascending']]);
  const judged = (run) => run.serial === 'SN0002' && run.ratio_db_min !== null;
  const keys = expected(judged, (run) => run.ratio_db_min);
  assert.deepEqual((await rows(page)).slice(0, keys.length), keys);
  assert.equal(await page.evaluate(() => document.activeElement.dataset.sorts), 'Worst rating');
  await page.keyboard.press('Enter');
  await page.waitForSelector('th[aria-sort="descending"] [data-sorts="Worst rating"]');
  assert.deepEqual((await rows(page)).slice(0, keys.length), expected(judged, (run) => run.ratio_db_min, -1));
  assert.match(page.url(), /serial=SN0002&sort=ratio&order=desc$/);
  assert.equal(await page.locator(`${hook('find-order')} option:checked`).innerText(), 'worst rating first, the other way round');
  await page.locator(hook('find-order')).selectOption('verdict');
  await page.waitForSelector('th[aria-sort="ascending"] [data-sorts="Verdict"]');
  await page.context().close();
});

test('all that is found is saved as CSV, also beyond the page', standinOnly, async () => {
  for (const token of [true, false]) {
    const page = await open(browser, served, { hash: '#/find?verdict=short&offset=0', token });
    await page.waitForSelector(hook('find-csv'));
    const [saved] = await Promise.all([page.waitForEvent('download'), page.locator(hook('find-csv')).click()]);
    assert.equal(saved.suggestedFilename(), 'runs.csv');
    const lines = (await readFile(await saved.path(), 'utf8')).trim().split('\r\n').slice(1);
    assert.deepEqual(lines, expected((run) => run.verdict === 'short', (run) => run.started_utc, -1));
    assert.equal(lastAsked().has('limit'), false);
    await page.context().close();
  }
});

test('a row leads to the run where its folder is here, else to its entry', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/find?serial=SN0001' });
  await page.waitForSelector(hook('found'));
  await page.locator(hook('found-run')).first().click();
  await page.waitForSelector(hook('entry-ratings'));
  assert.match(page.url(), /#\/entries\/0+\d+$/);
  await go(page, `#/find?to=2030`);
  await counted(page, '1 run');
  await page.locator(hook('found-run')).click();
  await page.waitForSelector(hook('run-outcome'));
  assert.ok(page.url().endsWith(`#/runs/${RUN}`));
  await page.context().close();
});

test('an entry tells unit, ratings with U and verdict, findings, instruments, gaps and files', standinOnly, async () => {
  const page = await open(browser, served, { hash: `#/entries/${'5'.padStart(64, '0')}` });
  await page.waitForSelector(hook('entry-ratings'));
  const entry = served.world.catalogue.find((one) => one.key === '5'.padStart(64, '0'));
  const [rating] = entry.ratings;
  const measured = page.locator(`${hook('entry-ratings')} ${hook('measured')} .quantity`);
  assert.equal(Number(await measured.getAttribute('data-value')), rating.measured);
  assert.equal(await measured.innerText(), `${rating.measured.toFixed(1)} ± 2.1\u00a0W`);
  assert.match(await page.locator(`${hook('entry-ratings')} ${hook('verdict')}`).innerText(), /short/);
  assert.match(await page.locator(hook('findings')).innerText(), /offset, channel 2[\s\S]*0\.0125 ± 0\.0010/);
  assert.match(await page.locator(hook('entry-instruments')).innerText(), /Invented Instruments,Source 1/);
  assert.match(await page.locator(hook('entry-gaps')).innerText(), /2 times, 1\sh 02\smin away/);
  assert.equal(await page.locator(`${hook('entry-files')} tbody tr`).count(), entry.files.length);
  assert.ok((await page.locator(hook('entry-files')).innerText()).includes('d'.repeat(64)));
  await page.locator(hook('unit')).click();
  await page.waitForSelector(`${hook('unit-runs')} ${hook('found')}`);
  assert.ok(page.url().endsWith('#/units/SN0005'));
  await page.context().close();
});

test('a unit’s history goes from the first run to the last, and tells makers apart', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/units/SN0003' });
  await page.waitForSelector(hook('found'));
  assert.deepEqual(await rows(page), served.world.catalogue.filter((run) => run.serial === 'SN0003').sort((a, b) => (a.started_utc < b.started_utc ? -1 : 1)).map((run) => run.key));
  await page.locator(`${hook('unit-makers')} a`, { hasText: 'Invented Maker' }).first().click();
  await page.waitForFunction(() => location.hash.includes('maker=') && document.querySelector('[data-test="found"]'));
  assert.ok((await page.locator(`${hook('found')} tbody th`).allInnerTexts()).every((words) => words.includes('Invented Maker')));
  await page.context().close();
});

test('nothing found, nothing there yet, and trouble are told in words', standinOnly, async () => {
  const own = await daemon();
  const page = await open(browser, own, { hash: '#/find?serial=nobody' });
  await counted(page, 'No run');
  assert.match(await page.locator('main').innerText(), /No run is like that\./);
  assert.equal(await page.locator(hook('find-csv')).count(), 0);
  own.world.catalogue = [];
  await go(page, '#/find');
  await page.waitForFunction(() => document.body.innerText.includes('No run is in the catalogue yet'));
  own.world.catalogueTrouble = [500, 'Internal Server Error', 'The catalogue at /r/catalogue.sqlite is damaged.', '`wattproof reindex --anew` makes it anew.'];
  await page.locator(hook('find-go')).click();
  await page.waitForSelector(hook('problem'));
  assert.equal(await page.locator(hook('detail')).innerText(), 'The catalogue at /r/catalogue.sqlite is damaged.');
  assert.match(await page.locator(hook('next')).innerText(), /reindex --anew/);
  assert.equal(await count(page), '');
  await go(page, '#/entries/nobodys');
  await page.waitForFunction(() => document.body.innerText.includes('There is no run of the key nobodys.'));
  await go(page, '#/units/nobodys');
  await page.waitForFunction(() => document.body.innerText.includes('No run of this serial number is in the catalogue.'));
  assert.deepEqual(page.faults, []);
  await page.context().close();
  await own.close();
});

test('the entry of a run that judged nothing says so', standinOnly, async () => {
  const page = await open(browser, served, { hash: `#/entries/${'3'.padStart(64, '0')}` });
  await page.waitForSelector(hook('entry-verdict'));
  assert.equal(await page.locator(hook('entry-verdict')).innerText(), 'none judged');
  assert.match(await page.locator(hook('entry-ratings')).innerText(), /judged no rating/);
  await go(page, `#/entries/${KEY}`);
  await page.waitForSelector(`${hook('entry-ratings')} tbody`);
  await page.context().close();
});
