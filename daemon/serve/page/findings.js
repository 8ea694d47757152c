// Findings: what a script found that is no rating, each with its uncertainty, its conditions and, where it is judged, its verdict.

import { el } from './dom.js';
import { plain, uncertain } from './format.js';
import { outcome } from './ratings.js';
import { table } from './table.js';

/** The table of findings while a run goes on, or of a run that is over. */
export function findingsTable(records, { caption, test = 'findings' }) {
  return table({
    caption, test, hideCaption: true, empty: 'Nothing is found yet.',
    rows: records.map((record) => ({ ...record, key: record.finding })),
    columns: [
      { head: 'Finding', row: true, cell: (one) => (one.channel ? `${one.name}, channel ${one.channel}` : one.name) },
      { head: 'Value ± U', number: true, cell: value, test: 'value' },
      { head: 'Right', cell: right },
      { head: 'Verdict', cell: (one) => (one.verdict ? outcome(one.verdict) : 'not judged'), test: 'verdict' },
      { head: 'Conditions', cell: (one) => [one.at, one.note ? el('span', { class: 'soft' }, ` ${one.note}`) : null] },
    ],
  });
}

function value(one) {
  return one.expanded_u === null ? plain(one.value, one.unit) : uncertain(one.value, one.expanded_u, one.unit);
}

function right(one) {
  if (one.low !== null && one.high !== null) return [plain(one.low, one.unit), ' to ', plain(one.high, one.unit)];
  if (one.low !== null) return ['at least ', plain(one.low, one.unit)];
  if (one.high !== null) return ['at most ', plain(one.high, one.unit)];
  return '–';
}
