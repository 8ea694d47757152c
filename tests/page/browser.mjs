// A browser and the daemon (or its stand-in) for one test file.

import { chromium } from 'playwright-core';
import { Standin } from './standin.mjs';

/** Sizes that people have: a desk's screen and a small phone. */
export const WIDE = { width: 1280, height: 900 };
export const NARROW = { width: 360, height: 740 };

/** A running daemon to test instead of the stand-in, and its token; what needs the stand-in is then skipped. */
const REAL_URL = process.env.WATTPROOF_URL ?? null;
const REAL_TOKEN = process.env.WATTPROOF_TOKEN ?? '';

/** For `test(name, standinOnly, …)`: skipped against a real daemon, which can't be told to trip or to fall silent. */
export const standinOnly = { skip: REAL_URL !== null && 'needs the stand-in' };

export async function launch() {
  return chromium.launch({ executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium', args: ['--no-sandbox'] });
}

/** A stand-in of its own, or the real daemon, in the same shape. */
export async function daemon() {
  if (REAL_URL) return { url: REAL_URL.replace(/\/$/, ''), token: REAL_TOKEN, world: null, close: async () => {} };
  const standin = await new Standin().start();
  standin.token = standin.world.token;
  return standin;
}

/** The page, opened; what it complains about (exceptions, refused by its security policy) is collected in `faults`. */
export async function open(browser, served, { hash = '', token = true, size = WIDE, scheme = 'light' } = {}) {
  const context = await browser.newContext({ viewport: size, colorScheme: scheme, reducedMotion: 'reduce' });
  const page = await context.newPage();
  page.faults = [];
  page.on('pageerror', (error) => page.faults.push(error.stack));
  page.on('console', (message) => {
    if (message.type() === 'error' && !/Failed to load resource/.test(message.text())) page.faults.push(message.text());
  });
  await page.goto(`${served.url}/${token ? `#token=${encodeURIComponent(served.token)}` : ''}`);
  await page.waitForSelector('body[data-connection="live"]');
  if (hash) await go(page, hash);
  return page;
}

/** Goes to a view as a click on a link would. */
export async function go(page, hash) {
  await page.evaluate((to) => { location.hash = to; }, hash);
}

export const hook = (name) => `[data-test="${name}"]`;
