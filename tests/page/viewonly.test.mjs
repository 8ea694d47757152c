// Without the token the page is a view only, says so, and takes one.

import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { daemon, go, hook, launch, open, standinOnly } from './browser.mjs';

let browser;
let served;
before(async () => { [browser, served] = [await launch(), await daemon()]; });
after(async () => { await browser.close(); await served.close(); });

test('a page without the token says that it is a view only and offers nothing that would be refused', standinOnly, async () => {
  served.world.addJob();
  const page = await open(browser, served, { token: false, hash: '#/queue' });
  assert.match(await page.locator('#view-only').innerText(), /View only/);
  await page.waitForSelector(hook('job-1'));
  for (const name of ['cancel', 'hold']) assert.equal(await page.locator(hook(name)).first().isVisible(), false, name);
  assert.equal(await page.locator(`${hook('submit')} button[type="submit"]`).isVisible(), false);
  await page.locator(hook('stop')).click();
  assert.match(await page.locator(hook('stop-said')).innerText(), /no valid token.*cut the power by hand/);
  await page.context().close();
});

test('a wrong token is refused, a right one opens the page for changes without a reload', standinOnly, async () => {
  const page = await open(browser, served, { token: false });
  await page.locator(hook('token')).fill('wrong');
  await page.locator('#view-only button').click();
  await page.waitForFunction((said) => document.querySelector(said).innerText.includes('does not accept'), hook('token-said'));
  await page.locator(hook('token')).fill(served.token);
  await page.keyboard.press('Enter');
  await page.waitForSelector('#view-only', { state: 'hidden' });
  assert.ok(!(await page.content()).includes(served.token), 'the token is nowhere on the page');
  await page.context().close();
});

test('a link with the token also works in a tab that is open already', standinOnly, async () => {
  const page = await open(browser, served, { token: false });
  await go(page, `#token=${served.token}`);
  await page.waitForSelector('#view-only', { state: 'hidden' });
  assert.equal(new URL(page.url()).hash, '#/');
  await page.context().close();
});

test('with the token nothing is said about it', async () => {
  const page = await open(browser, served);
  assert.equal(await page.locator('#view-only').isVisible(), false);
  await page.context().close();
});

test('a token that is no header text is refused, not thrown', standinOnly, async () => {
  const page = await open(browser, served, { token: false });
  await page.locator(hook('token')).fill('naïve ☃\u0000');
  await page.keyboard.press('Enter');
  await page.waitForFunction((said) => document.querySelector(said).innerText.includes('does not accept'), hook('token-said'));
  assert.deepEqual(page.faults, []);
  await page.context().close();
});
