// Saving what the daemon gives. A link carries no token, which everything needs beyond the bench PC: so a page that has
// one asks for the file itself, and says what is refused.

import { send } from './api.js';
import { el } from './dom.js';
import { shown } from './problem.js';
import { token } from './token.js';

/** A link by which a file is saved; `place` is where it is shown what goes wrong. */
export function saveLink(url, name, place, attributes, ...words) {
  return el('a', { href: url, download: name, on: { click: (event) => fetched(event, url, name, place) }, ...attributes }, ...words);
}

async function fetched(event, url, name, place) {
  if (!token()) return;
  event.preventDefault();
  const blob = await shown(place, async () => (await send(url)).blob());
  if (!blob) return;
  const from = URL.createObjectURL(blob);
  el('a', { href: from, download: name }).click();
  // The browser reads it after the click.
  setTimeout(() => URL.revokeObjectURL(from), 60_000);
}
