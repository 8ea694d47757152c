// What comes next: the first of the queue, as far as there is room.

import { el, redraw } from '../dom.js';
import { holdWords } from '../hold.js';
import { ageNote } from '../lost.js';
import { JOB } from '../words.js';

const SHOWN = 5;

export class Next {
  #state;
  #list = el('div', {});
  node;

  constructor(state) {
    this.#state = state;
    this.node = el('section', { class: 'panel', 'aria-labelledby': 'next', 'data-test': 'next' },
      el('h2', { id: 'next' }, 'Next'), ageNote(), this.#list);
  }

  update() {
    const jobs = this.#state.queuedJobs();
    redraw(this.#list, [jobs, this.#state.benches.size], () => [
      jobs.length
        ? el('ol', { class: 'next' }, jobs.slice(0, SHOWN).map((job) => this.#line(job)))
        : el('p', { class: 'soft' }, 'Nothing waits.'),
      el('p', {}, el('a', { href: '#/queue' }, jobs.length > SHOWN ? `The whole queue (${jobs.length})` : 'The queue')),
    ]);
  }

  #line(job) {
    const bench = this.#state.benches.size > 1 ? `, ${this.#state.benches.get(job.bench)?.name ?? job.bench}` : '';
    return el('li', {}, job.amplifier, el('br'),
      el('span', { class: 'soft' }, `${job.script}${bench}, ${JOB[job.state] ?? job.state}`, job.hold ? [' ', holdWords(job.hold)] : ''));
  }
}
