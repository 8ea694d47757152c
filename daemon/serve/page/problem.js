// Shows what went wrong in the daemon's own words, and what to do next.

import { el } from './dom.js';

/** A box for a Problem; anything else that was thrown is a fault of this page and is said as such. */
export function problemBox(error) {
  const title = error.title ?? 'The page itself failed';
  const next = error.next ?? 'Load the page again; if it happens again, report it with this text.';
  return el('div', { class: 'problem', role: 'alert', 'data-test': 'problem' },
    el('p', {}, el('strong', {}, title)),
    el('p', { 'data-test': 'detail' }, error.detail ?? error.message),
    error.reasons?.length ? el('ul', { 'data-test': 'reasons' }, error.reasons.map((reason) => el('li', {}, reason))) : null,
    next ? el('p', { 'data-test': 'next' }, next) : null);
}

/** Runs something and shows in `place` what goes wrong with it; gives its value, or undefined. */
export async function shown(place, action) {
  place.replaceChildren();
  try {
    return await action();
  } catch (error) {
    place.replaceChildren(problemBox(error));
    return undefined;
  }
}
