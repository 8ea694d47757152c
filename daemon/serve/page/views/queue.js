// The queue: what runs and waits, in order, with what can be done about it; the form to add; what ended lately.

import { el, keyed } from '../dom.js';
import { ageNote } from '../lost.js';
import { JobRow } from './job_row.js';
import { endedTable } from './ended.js';
import { submitForm } from './submit.js';

export function queue(state) {
  const rows = new Map();
  const list = el('ol', { class: 'jobs', 'data-test': 'jobs' });
  const none = el('p', { class: 'empty' }, 'Nothing runs and nothing waits.');
  const ended = el('div', {});
  const submit = submitForm(state);
  const draw = () => {
    const order = [...state.benches.keys()];
    // Places count by bench, so the benches' queues stand one after the other.
    const jobs = state.sortedJobs().filter((job) => !['ended', 'cancelled'].includes(job.state))
      .sort((a, b) => order.indexOf(a.bench) - order.indexOf(b.bench));
    none.hidden = jobs.length > 0;
    keyed(list, jobs, (job) => job.job, (job) => {
      const row = new JobRow(state, job);
      rows.set(job.job, row);
      return row.node;
    }, (node, job) => rows.get(job.job).update(job));
    endedTable(ended, state.endedJobs(), state.benches);
  };
  const unsubscribe = state.subscribe((kind) => {
    if (['all', 'job', 'removed', 'connection'].includes(kind)) draw();
    if (kind === 'all') submit.update();
  });
  draw();
  return {
    title: 'Queue',
    node: el('div', { class: 'view' }, el('h1', {}, 'Queue'),
      el('div', { class: 'columns' },
        el('section', { class: 'column-wide', 'aria-labelledby': 'queue-now' },
          el('h2', { id: 'queue-now' }, 'Running and waiting'), ageNote(), none, list),
        el('section', { class: 'column', 'aria-labelledby': 'submit' },
          el('h2', { id: 'submit' }, 'Add to the queue'), submit.node)),
      el('section', { 'aria-labelledby': 'queue-ended' }, el('h2', { id: 'queue-ended' }, 'Ended'), ended)),
    stop: unsubscribe,
  };
}
