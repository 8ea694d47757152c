// The jobs that ended lately.

import { el, redraw } from '../dom.js';
import { moment } from '../format.js';
import { outcome } from '../ratings.js';
import { runAddress } from '../route.js';
import { table } from '../table.js';

/** `benches` are told where there are several. */
export function endedTable(place, jobs, benches) {
  redraw(place, [jobs, benches.size], () => table({
    caption: 'Jobs that ended lately, newest first', hideCaption: true, test: 'ended', empty: 'Nothing ended yet.',
    rows: jobs.map((job) => ({ ...job, key: job.job })),
    columns: [
      { head: 'Job', row: true, cell: (job) => String(job.job) },
      { head: 'Amplifier', cell: (job) => (job.run ? el('a', { href: runAddress(job.run) }, job.amplifier) : job.amplifier) },
      ...(benches.size > 1 ? [{ head: 'Bench', cell: (job) => benches.get(job.bench)?.name ?? job.bench }] : []),
      { head: 'Script', cell: (job) => job.script },
      { head: 'Ended', cell: (job) => moment(job.ended_utc) },
      { head: 'Outcome', cell: (job) => [outcome(job.outcome ?? job.state), job.error ? `: ${job.error}` : null] },
    ],
  }));
}
