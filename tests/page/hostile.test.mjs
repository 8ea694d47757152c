// Names and texts from outside never become markup (fault 54), and the page asks nobody but the daemon.

import assert from 'node:assert/strict';
import { readFileSync, readdirSync } from 'node:fs';
import { after, before, test } from 'node:test';
import { fileURLToPath } from 'node:url';
import { daemon, go, hook, launch, open, standinOnly } from './browser.mjs';
import { RUN } from './standin/recorded.mjs';

const EVIL = '<img src=x onerror="window.harmed=1"><script>window.harmed=1</script>&amp;';
const PAGE = fileURLToPath(new URL('../../daemon/serve/page/', import.meta.url));
let browser;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });

/** Every text of the stand-in's answers, made hostile. */
function poison(world) {
  Object.assign(world.bench, { name: EVIL, file: EVIL });
  const whole = { maker: EVIL, model: EVIL, serial: EVIL, bench: EVIL, script: EVIL, operator: EVIL, error: EVIL, folder: EVIL, currency: EVIL, calibration: EVIL, outcome: EVIL, verdict: EVIL };
  for (const entry of world.catalogue) {
    Object.assign(entry, whole, { instruments: [{ role: EVIL, idn: EVIL, dialect: EVIL }], files: [{ name: EVIL, bytes: 1, sha256: EVIL }] });
    entry.ratings = entry.ratings.map((rating) => ({ ...rating, cause: EVIL, verdict: null, driven: EVIL, not_measured: EVIL, unit: EVIL }));
    entry.findings = entry.findings.map((finding) => ({ ...finding, name: EVIL, unit: EVIL, at: EVIL, note: EVIL, verdict: EVIL }));
  }
  for (const run of world.runs) {
    Object.assign(run, { amplifier: EVIL, maker: EVIL, model: EVIL, serial: EVIL, bench: EVIL, script: EVIL });
    run.ratings = run.ratings.map((rating) => ({ ...rating, cause: EVIL, verdict: EVIL, driven: EVIL }));
    world.ratingsDone.set(run.run, world.ratingsDone.get(run.run).map((rating) => ({
      ...rating, cause: EVIL, evidence: [EVIL], notes: [EVIL], verdict_words: EVIL, limit_by: EVIL,
    })));
  }
}

test('hostile texts are shown as texts in every view', standinOnly, async () => {
  const served = await daemon();
  const { world } = served;
  poison(world);
  const job = world.addJob({ amplifier: EVIL, script: EVIL, selfcheck: EVIL }).job;
  world.addJob({ amplifier: EVIL, script: EVIL, error: EVIL });
  world.begin(job, 3);
  const page = await open(browser, served);
  world.setJob(job, { doing: EVIL, error: EVIL, amplifier: EVIL });
  world.emit('log', { job, bench: null, at_utc: world.now(), level: 'warn', text: EVIL });
  world.trip(EVIL, EVIL);
  await page.waitForSelector(hook('latch-number'));
  const views = ['#/', '#/queue', '#/runs', `#/runs/${RUN}`, '#/compare', `#/compare?run=${RUN}&run=20261120T201500Z-steady-100`, `#/${encodeURIComponent(EVIL)}`, `#/runs/${encodeURIComponent(EVIL)}`,
    '#/find', `#/find?serial=${encodeURIComponent(EVIL)}&verdict=${encodeURIComponent(EVIL)}&sort=date&order=asc`, `#/entries/${'5'.padStart(64, '0')}`, `#/entries/${encodeURIComponent(EVIL)}`, `#/units/${encodeURIComponent(EVIL)}`];
  for (const hash of views) {
    await go(page, hash);
    await page.waitForTimeout(400);
    assert.ok((await page.locator('main').innerText()).includes('<img src=x onerror='), `${hash} shows the text as it is`);
    assert.equal(await page.evaluate(() => window.harmed), undefined, hash);
    assert.equal(await page.locator('img[src="x"], main script').count(), 0, hash);
  }
  assert.deepEqual(page.faults, []);
  await page.context().close();
  await served.close();
});

test('a script in a figure does not run', standinOnly, async () => {
  const served = await daemon();
  const page = await open(browser, served);
  const evil = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9" onload="window.harmed=1"><title>a &lt;b&gt;</title><script>window.harmed=1</script><image href="x" onerror="window.harmed=1"/></svg>';
  await page.route('**/*.svg?*', (route) => route.fulfill({ contentType: 'image/svg+xml', body: evil }));
  await go(page, `#/runs/${RUN}`);
  const image = page.locator(hook('figure-waveform-image'));
  await image.waitFor();
  assert.equal(await image.getAttribute('alt'), 'a <b>');
  await page.waitForTimeout(300);
  assert.equal(await page.evaluate(() => window.harmed), undefined);
  await page.context().close();
  await served.close();
});

test('no source builds markup or code from text', () => {
  const names = readdirSync(PAGE, { recursive: true }).filter((name) => /\.(js|html)$/.test(name));
  assert.ok(names.length > 25, String(names.length));
  for (const name of names) {
    const text = readFileSync(`${PAGE}${name}`, 'utf8');
    assert.doesNotMatch(text, /innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|createContextualFragment|srcdoc/, name);
    if (name.endsWith('.html')) assert.doesNotMatch(text, /\sstyle=|\son[a-z]+=|<script(?![^>]*\ssrc=)/, name);
    for (const [found] of text.matchAll(/https?:\/\/[^'"`\s)]+/g)) assert.fail(`${name} names ${found}`);
  }
});

test('nobody but the daemon is asked', async () => {
  const served = await daemon();
  const page = await open(browser, served);
  const asked = [];
  page.on('request', (request) => asked.push(request.url()));
  await page.reload();
  for (const hash of ['#/queue', '#/runs', `#/runs/${RUN}`, '#/compare', '#/find', '#/units/SN0001']) {
    await go(page, hash);
    await page.waitForTimeout(400);
  }
  assert.ok(asked.length > 10);
  assert.deepEqual(asked.filter((url) => !url.startsWith(`${served.url}/`) && !url.startsWith('data:')), []);
  await page.context().close();
  await served.close();
});
