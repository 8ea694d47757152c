// Without a valid token the page is a view only: it says so, and takes one.

import { el } from './dom.js';
import { keep, token } from './token.js';

/** `again()` asks the daemon anew whether the token is valid. */
export function startViewOnly(state, again) {
  const box = document.getElementById('view-only');
  const field = el('input', {
    id: 'token', type: 'password', autocomplete: 'off', spellcheck: 'false', required: true, 'data-test': 'token',
  });
  const said = el('p', { role: 'status', 'data-test': 'token-said' });
  const form = el('form', { class: 'line' },
    el('label', { for: 'token' }, 'Token'), field, el('button', { type: 'submit' }, 'Use it'));
  form.addEventListener('submit', async (event) => {
    event.preventDefault();
    keep(field.value);
    await again();
    said.textContent = state.mayChange ? '' : 'The daemon does not accept this token.';
    field.value = '';
  });
  box.append(
    el('p', {}, el('strong', {}, 'View only. '), 'This page has no valid token, so it can change nothing; STOP from here ',
      'will be refused too. The daemon prints a link with the token when it starts.'), form, said);
  state.subscribe((kind) => {
    if (kind !== 'all') return;
    // A read-only view takes nothing, with or without a token, and its bar says so.
    box.hidden = state.mayChange || state.view !== null;
    document.body.dataset.mayChange = String(state.mayChange);
    if (!state.mayChange && token()) said.textContent = 'The daemon does not accept the token that this page holds.';
  });
}
