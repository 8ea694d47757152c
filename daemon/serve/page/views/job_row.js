// One job of the queue with its buttons: earlier, later, hold, release, cancel.

import { el, redraw } from '../dom.js';
import { post } from '../api.js';
import { duration, known, moment } from '../format.js';
import { holdFields, holdWords } from '../hold.js';
import { shown } from '../problem.js';
import { runAddress } from '../route.js';
import { JOB } from '../words.js';

export class JobRow {
  #state;
  #job;
  #words = el('div', { class: 'job-words' });
  #said = el('div', { 'data-test': 'job-said' });
  #buttons = {};
  #hold;
  node;

  constructor(state, job) {
    this.#state = state;
    const button = (name, words, action) => (this.#buttons[name] = el('button', {
      type: 'button', 'data-test': name, 'aria-label': `${words}: job ${job.job}, ${job.amplifier}`,
      on: { click: () => shown(this.#said, action) },
    }, words));
    const id = ['jobs', String(job.job)];
    this.node = el('li', { class: 'job', 'data-test': `job-${job.job}` }, this.#words,
      el('div', { class: 'job-buttons' },
        button('earlier', 'Earlier', () => this.#move(-1)), button('later', 'Later', () => this.#move(1)),
        button('release', 'Release', () => post([...id, 'hold'], { hold: null })),
        button('cancel', 'Cancel', () => post([...id, 'cancel'])), this.#hold = this.#holdForm(id)),
      this.#said);
  }

  #holdForm(id) {
    const fields = holdFields({ none: false, legend: 'Hold' });
    const form = el('form', {}, fields.node, el('button', { type: 'submit', 'data-test': 'hold' }, 'Hold it'));
    const box = el('details', { class: 'hold' }, el('summary', {}, 'Hold'), form);
    form.addEventListener('submit', (event) => {
      event.preventDefault();
      shown(this.#said, async () => {
        await post([...id, 'hold'], { hold: fields.value() });
        box.open = false;
      });
    });
    return box;
  }

  // The daemon takes the job before which this one shall stand.
  #move(by) {
    const others = this.#state.queuedJobs(this.#job.bench);
    const at = others.findIndex((job) => job.job === this.#job.job);
    const before = others[by < 0 ? at - 1 : at + 2]?.job ?? null;
    return post(['jobs', String(this.#job.job), 'move'], { before });
  }

  update(job) {
    this.#job = job;
    const others = this.#state.queuedJobs(job.bench);
    const at = others.findIndex((one) => one.job === job.job);
    const queued = at >= 0;
    this.#buttons.earlier.hidden = !queued || at === 0;
    this.#buttons.later.hidden = !queued || at === others.length - 1;
    this.#buttons.cancel.hidden = !queued;
    this.#buttons.release.hidden = job.state !== 'held';
    this.#hold.hidden = !queued || job.state === 'held';
    redraw(this.#words, [job, this.#state.benches.size], () => this.#draw(job));
  }

  #draw(job) {
    const bench = this.#state.benches.get(job.bench);
    const where = this.#state.benches.size > 1 ? el('strong', { 'data-test': 'job-bench' }, bench?.name ?? job.bench, ', ') : null;
    const place = job.position ? `${job.position}. ` : '';
    return [
      el('p', { class: 'job-name' }, place, job.amplifier, job.invented ? el('span', { class: 'tag' }, 'invented') : null),
      el('p', {}, where, el('strong', { 'data-test': 'job-state' }, JOB[job.state] ?? job.state),
        job.hold ? [' ', holdWords(job.hold)] : null, ...progress(job)),
      el('p', { class: 'soft' }, `${job.script}, job ${job.job}, added `, moment(job.submitted_utc),
        job.without_selfcheck ? ', without self-check' : null, setWords(job.set)),
      job.error ? el('p', { class: 'problem' }, job.error) : null,
      job.run ? el('p', { class: 'soft' }, el('a', { href: runAddress(job.run), class: 'file' }, job.run)) : null,
    ];
  }
}

/** What was set of the script's parameters. */
function setWords(set) {
  const pairs = Object.entries(set ?? {}).map(([name, value]) => `${name} = ${value}`);
  return pairs.length ? `; ${pairs.join(', ')}` : null;
}

function progress(job) {
  if (!['running', 'stopping'].includes(job.state)) return [];
  const of = job.steps_planned ? ` of ${job.steps_planned}` : '';
  return [`: step ${job.steps}${of}`, known(job.left_s) ? `, about ${duration(job.left_s)} left` : ''];
}
