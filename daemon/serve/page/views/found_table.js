// Runs as the catalogue tells them, one in a row, for a search and for the history of a unit.

import { el } from '../dom.js';
import { moment, quantity } from '../format.js';
import { outcome } from '../ratings.js';
import { entryAddress, runAddress, unitAddress } from '../route.js';
import { table } from '../table.js';

/** Which way each order goes at first. */
export const WAY_OF = { date: 'desc', maker: 'asc', model: 'asc', serial: 'asc', bench: 'asc', script: 'asc', verdict: 'asc', ratio: 'asc' };

/** `sort(name, head)` gives how a head puts the rows in order; without it the rows stay as they are. */
export function foundTable(runs, { caption, empty, sort = () => null, test = 'found' }) {
  const column = (name, head, cell, more = {}) => ({ head, cell, sort: sort(name, head), ...more });
  return table({
    caption, empty, test, hideCaption: true,
    rows: runs.map((run) => ({ ...run, key: run.key })),
    columns: [
      column('maker', 'Amplifier', named, { row: true }),
      column('serial', 'Serial number', (run) => (run.serial ? el('a', { href: unitAddress(run.serial), 'data-test': 'unit' }, run.serial) : '–')),
      column('date', 'Started', (run) => moment(run.started_utc, { withDate: true })),
      column('bench', 'Bench', (run) => run.bench),
      column('script', 'Script', (run) => run.script),
      column('verdict', 'Verdict', cameOut, { test: 'verdict' }),
      column('ratio', 'Worst rating', (run) => quantity(run.ratio_db_min, 'dB'), { number: true }),
    ],
  });
}

// Where the folder is here all of the run is shown, else what the catalogue holds of it.
function named(run) {
  return [el('a', { href: run.here ? runAddress(run.run) : entryAddress(run.key), 'data-test': 'found-run' }, `${run.maker} ${run.model}`), ...tags(run)];
}

/** Marks beside a name. */
export function tags({ invented, golden }) {
  return [invented ? el('span', { class: 'tag' }, 'invented') : null, golden ? el('span', { class: 'tag' }, 'known good') : null];
}

/** What came out of a run: its verdict, or why there is none. */
export function cameOut({ verdict, outcome: ended }) {
  if (verdict) return ended && ended !== 'finished' ? [outcome(verdict), ', ', outcome(ended)] : outcome(verdict);
  return ended ? ['none judged, ', outcome(ended)] : 'none yet';
}
