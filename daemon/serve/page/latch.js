// A latched trip: its cause, and the reset by a person who types the number that is shown.
//
// The daemon takes only the number that it gave last, so a page that is out of date can reset nothing.

import { el, redraw } from './dom.js';
import { get, post } from './api.js';
import { moment } from './format.js';
import { problemBox, shown } from './problem.js';

/** How often it is asked whether a reset is allowed by now. */
const AGAIN_MS = 3000;

export class Latch {
  #bench = null;
  #state;
  #number = null;
  #asked = '';
  /** When it was asked last (ms), while it may not be reset: what forbids it can go without an event. */
  #waitingSince = null;
  #facts = el('div', { 'data-test': 'latch-facts' });
  #said = el('div', { 'data-test': 'latch-said' });
  #field;
  #form;
  node;

  constructor(state, id) {
    this.#state = state;
    this.#field = el('input', {
      id: `number-${id}`, required: true, autocomplete: 'off', spellcheck: 'false', autocapitalize: 'off',
      'data-test': 'latch-number-field', 'aria-describedby': `latch-why-${id}`,
    });
    this.#form = el('form', { class: 'line', on: { submit: (event) => this.#reset(event) } },
      el('label', { for: `number-${id}` }, 'Number shown'), this.#field,
      el('button', { type: 'submit', 'data-test': 'latch-reset' }, 'Reset'));
    this.node = el('section', { class: 'latch', 'data-test': 'latch', 'aria-labelledby': `latch-${id}`, hidden: true },
      el('h2', { id: `latch-${id}` }, 'Latched trip'),
      this.#facts, this.#form, el('p', { id: `latch-why-${id}`, class: 'soft' },
        'First look at the bench itself. A reset switches nothing on.'), this.#said);
  }

  /** Shows what a bench says now. */
  update(bench) {
    this.#bench = bench;
    const guarded = ['tripped', 'tripping', 'alarm'].includes(bench.guard);
    this.node.hidden = !bench.latched && !guarded;
    if (this.node.hidden) return;
    if (this.#state.connection !== 'live') return;
    const now = JSON.stringify([bench.guard, bench.outputs, bench.latched]);
    if (now !== this.#asked || (this.#waitingSince !== null && Date.now() - this.#waitingSince > AGAIN_MS)) {
      this.#asked = now;
      this.#ask();
    }
  }

  async #ask() {
    try {
      const { latched } = await get(['benches', this.#bench.bench, 'latch']);
      this.#draw(latched);
    } catch (problem) {
      this.#waitingSince = Date.now();
      redraw(this.#facts, problem.detail, () => problemBox(problem));
    }
  }

  #draw(latched) {
    this.#number = latched?.number ?? null;
    this.#form.hidden = !latched?.may_reset;
    this.#waitingSince = latched?.may_reset ? null : Date.now();
    redraw(this.#facts, latched, () => (latched ? [
      el('p', { class: 'cause', 'data-test': 'latch-cause' }, latched.cause),
      el('p', { class: 'soft' }, 'At ', moment(latched.at_utc)),
      latched.may_reset
        ? el('p', {}, 'Number: ', el('strong', { class: 'latch-number', 'data-test': 'latch-number' }, latched.number))
        : el('p', { 'data-test': 'latch-why-not' }, `It can’t be reset yet: ${latched.why_not}`),
    ] : [el('p', {}, 'Nothing is latched.')]));
  }

  async #reset(event) {
    event.preventDefault();
    const number = this.#field.value.trim();
    await shown(this.#said, async () => {
      try {
        await post(['benches', this.#bench.bench, 'reset'], { number });
        this.#field.value = '';
        this.#said.append(el('p', { role: 'status' }, 'Reset. Nothing was switched on.'));
      } catch (problem) {
        await this.#stale();
        throw problem;
      }
    });
  }

  // What is refused may have been shown too long: show what holds now.
  async #stale() {
    const before = this.#number;
    await this.#ask();
    if (before !== null && this.#number !== before) {
      this.#field.value = '';
      this.#field.focus();
    }
  }
}
