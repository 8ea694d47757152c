// Everything by keyboard alone (WCAG 2.2, 2.1.1 Keyboard; 2.4.1 Bypass Blocks; 2.4.7 Focus Visible).

import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { daemon, go, hook, launch, open, standinOnly } from './browser.mjs';
import { RUN } from './standin/recorded.mjs';

let browser;
let served;
before(async () => { [browser, served] = [await launch(), await daemon()]; });
after(async () => { await browser.close(); await served.close(); });

/** Presses Tab until the focus is on what the selector names. */
async function tabTo(page, selector, atMost = 60) {
  for (let at = 0; at < atMost; at++) {
    await page.keyboard.press('Tab');
    if (await page.evaluate((wanted) => document.activeElement.matches(wanted), selector)) return;
  }
  assert.fail(`${selector} is not reached by Tab`);
}

test('a job is added, looked at and cancelled without a pointer', standinOnly, async () => {
  const page = await open(browser, served);
  await tabTo(page, '#nav a[href="#/queue"]');
  await page.keyboard.press('Enter');
  await page.waitForSelector(`${hook('script-choice')} option[value="rated_power.rhai"]`, { state: 'attached' });
  assert.equal(await page.evaluate(() => document.activeElement.id), 'main');
  await tabTo(page, hook('script-choice'));
  await page.keyboard.press('ArrowDown');
  await tabTo(page, `${hook('submit')} button[type="submit"]`);
  await page.keyboard.press('Enter');
  await page.waitForSelector(hook('job-1'));
  assert.equal(served.world.jobs.get(1).script, 'burst_and_sustained.rhai');
  await tabTo(page, `${hook('job-1')} ${hook('cancel')}`, 80);
  await page.keyboard.press('Space');
  await page.waitForSelector(hook('job-1'), { state: 'detached' });
  await page.context().close();
});

test('two runs are chosen and laid over each other without a pointer', standinOnly, async () => {
  const page = await open(browser, served, { hash: '#/runs' });
  await page.waitForSelector(hook('choose'));
  await tabTo(page, hook('choose'));
  await page.keyboard.press('Space');
  await tabTo(page, `tr:nth-child(2) ${hook('choose')}`);
  await page.keyboard.press('Space');
  await page.keyboard.press('Shift+Tab');
  for (let at = 0; at < 8 && !await page.evaluate((wanted) => document.activeElement.matches(wanted), hook('compare-chosen')); at++) await page.keyboard.press('Shift+Tab');
  await page.keyboard.press('Enter');
  await page.waitForSelector(hook('compare-rows'));
  await page.context().close();
});

test('the skip link leads past the navigation', async () => {
  const page = await open(browser, served);
  await tabTo(page, '#skip', 5);
  assert.ok((await page.locator('#skip').boundingBox()).height > 20, 'it is seen when it has the focus');
  await page.keyboard.press('Enter');
  assert.equal(await page.evaluate(() => document.activeElement.id), 'main');
  assert.equal(await page.evaluate(() => location.hash), '#/');
  await page.context().close();
});

test('every stop of the tab key shows where the focus is, and none holds it', async () => {
  const page = await open(browser, served);
  for (const hash of ['#/', '#/queue', '#/runs', `#/runs/${RUN}`, `#/compare?run=${RUN}&run=20261120T201500Z-steady-100`]) {
    await go(page, hash);
    await page.waitForTimeout(500);
    const seen = new Set();
    for (let at = 0; at < 70; at++) {
      await page.keyboard.press('Tab');
      const focus = await page.evaluate(() => {
        const node = document.activeElement;
        const { outlineStyle, outlineWidth } = getComputedStyle(node);
        return { name: node.outerHTML.slice(0, 100), body: node === document.body, outline: outlineStyle !== 'none' && parseFloat(outlineWidth) >= 2 };
      });
      if (focus.body) break;
      assert.ok(focus.outline, `${hash}: no outline on ${focus.name}`);
      seen.add(focus.name);
    }
    assert.ok(seen.size >= 5, `${hash}: ${seen.size} stops`);
  }
  await page.context().close();
});

test('a live page does not take the focus away', standinOnly, async () => {
  const page = await open(browser, served);
  const job = served.world.addJob().job;
  served.world.begin(job, 2);
  await page.waitForSelector('[data-step="2"]');
  await tabTo(page, `${hook('instruments')} a, ${hook('next')} a`, 40);
  for (let at = 0; at < 3; at++) {
    served.world.step(job);
    await page.waitForSelector(`[data-step="${at + 3}"]`);
  }
  assert.equal(await page.evaluate(() => document.activeElement.getAttribute('href')), '#/queue');
  served.world.end(job, 'meets');
  await page.context().close();
});
