// What the daemon had to say lately, newest first.

import { el, redraw } from '../dom.js';
import { moment } from '../format.js';

const SHOWN = 12;
const LEVEL = { warn: 'Warning: ', error: 'Error: ' };

export class LogNow {
  #state;
  #list = el('ol', { class: 'log', reversed: true });
  node;

  constructor(state) {
    this.#state = state;
    this.node = el('section', { class: 'panel', 'aria-labelledby': 'log', hidden: true, 'data-test': 'log' },
      el('h2', { id: 'log' }, 'Messages'), this.#list);
  }

  update() {
    const lines = this.#state.log.slice(-SHOWN).reverse();
    this.node.hidden = !lines.length;
    redraw(this.#list, lines, () => lines.map((line) => el('li', { 'data-level': line.level },
      moment(line.at_utc), ' ', LEVEL[line.level] ? el('strong', {}, LEVEL[line.level]) : null, line.text)));
  }
}
