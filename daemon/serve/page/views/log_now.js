// What the daemon had to say lately, newest first.

import { el, redraw } from '../dom.js';
import { moment } from '../format.js';

const SHOWN = 12;
const LEVEL = { warn: 'Warning: ', error: 'Error: ' };

export class LogNow {
  #state;
  #list = el('div', {});
  node;

  constructor(state) {
    this.#state = state;
    this.node = el('section', { class: 'panel', 'aria-labelledby': 'log', 'data-test': 'log' },
      el('h2', { id: 'log' }, 'Messages'), this.#list);
  }

  update() {
    const lines = this.#state.log.slice(-SHOWN).reverse();
    const several = this.#state.benches.size > 1;
    const of = (line) => (several && line.bench ? `${this.#state.benches.get(line.bench)?.name ?? line.bench}: ` : null);
    redraw(this.#list, [lines, several], () => (lines.length ? el('ol', { class: 'log' }, lines.map((line) => el('li', { 'data-level': line.level },
      moment(line.at_utc), ' ', LEVEL[line.level] ? el('strong', {}, LEVEL[line.level]) : null, of(line), line.text)))
      : el('p', { class: 'soft' }, 'None since this page was opened.')));
  }
}
