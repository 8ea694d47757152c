// What axe-core finds in a page (WCAG 2.2 A and AA and its best practices).

import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

const AXE = readFileSync(fileURLToPath(import.meta.resolve('axe-core/axe.min.js')), 'utf8');

/** Serious and critical findings, in words. */
export async function findings(page, where) {
  await page.evaluate(AXE);
  const { violations, passes } = await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }));
  assert.ok(passes.length > 10, `${where}: axe looked at next to nothing`);
  return violations.filter((one) => ['serious', 'critical'].includes(one.impact))
    .map((one) => `${where}: ${one.id}: ${one.nodes.slice(0, 3).map((node) => `${node.html} ${node.failureSummary}`).join(' | ')}`);
}
