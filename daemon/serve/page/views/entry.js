// What the catalogue holds of a run, wherever its folder is: unit, conditions, ratings, findings, instruments, gaps, files.

import { el } from '../dom.js';
import { get } from '../api.js';
import { duration, known, moment, plain, quantity, size, uncertain } from '../format.js';
import { findingsTable } from '../findings.js';
import { shown } from '../problem.js';
import { outcome } from '../ratings.js';
import { runAddress, unitAddress } from '../route.js';
import { facts, table } from '../table.js';
import { causeWords, conditions } from '../words.js';
import { tags } from './found_table.js';

export function entry(state, route) {
  const place = el('div', { 'data-test': 'entry' }, el('p', { class: 'soft' }, 'Reading the entry.'));
  shown(place, async () => place.replaceChildren(...draw(await get(['entries', route.key]))));
  return { title: 'Entry', node: el('div', { class: 'view' }, place), stop() {} };
}

function draw(whole) {
  return [
    el('h1', {}, `${whole.maker} ${whole.model}`, ...tags(whole)),
    el('p', { class: 'file soft' }, whole.run),
    whole.error ? el('p', { class: 'problem', 'data-test': 'entry-error' }, whole.error) : null,
    whole.here
      ? el('p', { class: 'actions' }, el('a', { class: 'button', href: runAddress(whole.run) }, 'The whole run'))
      : el('p', { class: 'soft' }, 'Steps, captures and figures are in the run’s folder, which is not here.'),
    overview(whole),
    section('ratings', 'Ratings', ratings(whole.ratings)),
    whole.findings.length ? section('findings', 'Findings', findingsTable(whole.findings, { caption: 'Findings of this run' })) : null,
    section('conditions', 'How it was measured', measuredHow(whole), instruments(whole.instruments)),
    section('files', 'Files', el('p', { class: 'soft' }, 'In ', el('span', { class: 'file' }, whole.folder), ' on the machine of the bench.'), files(whole.files)),
  ].filter(Boolean);
}

function section(id, title, ...children) {
  return el('section', { 'aria-labelledby': id, class: 'part' }, el('h2', { id }, title), ...children);
}

function overview(whole) {
  const took = whole.ended_utc ? (Date.parse(whole.ended_utc) - Date.parse(whole.started_utc)) / 1000 : null;
  return facts([
    ['Verdict', whole.verdict ? outcome(whole.verdict) : 'none judged', 'entry-verdict'],
    ['Outcome', whole.outcome ? outcome(whole.outcome) : 'not ended when it was put here'],
    ['Serial number', whole.serial ? el('a', { href: unitAddress(whole.serial), 'data-test': 'unit' }, whole.serial) : null],
    ['Started', moment(whole.started_utc, { withDate: true })],
    ['Took', took === null ? null : duration(took)],
    ['Price', known(whole.price) ? `${whole.price} ${whole.currency ?? ''}` : null],
    ['Script', whole.script],
    ['Bench', whole.bench],
    ['Operator', whole.operator],
  ], { class: 'facts spread' });
}

function ratings(rows) {
  return table({
    caption: 'Ratings of this run', hideCaption: true, test: 'entry-ratings', empty: 'This run judged no rating.',
    rows: rows.map((one, at) => ({ ...one, key: at + 1, unit: one.unit === 'V' ? 'V rms' : one.unit })),
    columns: [
      { head: 'Rating', row: true, cell: (one) => String(one.rating) },
      { head: 'Rated', number: true, cell: (one) => plain(one.rated, one.unit) },
      { head: 'Measured ± U', number: true, cell: (one) => uncertain(one.measured, one.expanded_u, one.unit), test: 'measured' },
      { head: 'Against rated', number: true, cell: (one) => quantity(one.ratio_db, 'dB') },
      { head: 'Verdict', cell: (one) => (one.verdict ? outcome(one.verdict) : `not measured: ${one.not_measured ?? 'no reason told'}`), test: 'verdict' },
      { head: 'Ceiling cause', cell: (one) => causeWords(one.cause) || '–' },
      { head: 'Conditions', cell: (one) => [conditions(one), ...delivered(one)] },
    ],
  });
}

/** What was delivered within other distortion limits. */
function delivered({ clean, unit }) {
  return clean.map((one) => el('span', { class: 'soft' }, `; within ${plain(one.limit_pct, '%')}: `, quantity(one.delivered, unit)));
}

const CALIBRATION = { valid: 'valid', expired: 'one expired', missing: 'one missing' };
const SELFCHECK = { made: 'made', left_out: 'left out', unfinished: 'not finished' };

function measuredHow(whole) {
  return facts([
    ['Gaps', gaps(whole), 'entry-gaps'],
    ['Steps', String(whole.steps)],
    ['Calibrations', CALIBRATION[whole.calibration] ?? whole.calibration],
    ['Self-check', SELFCHECK[whole.selfcheck] ?? whole.selfcheck],
    ['Program', `Wattproof ${whole.wattproof_version}`],
    ['Script hash', hash(whole.script_sha256)],
    ['Journal', [`${whole.lines} lines, chained to `, hash(whole.chain)]],
    ['Key', hash(whole.key)],
  ], { class: 'facts' });
}

function gaps({ gaps: count, gap_s: together }) {
  if (!count) return 'none';
  return `resumed ${count === 1 ? 'once' : `${count} times`}, ${known(together) ? `${duration(together)} away` : 'for how long is not told'}`;
}

function hash(text) {
  return el('span', { class: 'hash' }, text);
}

function instruments(rows) {
  return table({
    caption: 'Instruments', test: 'entry-instruments', empty: 'No instrument is told.', rows: rows.map((one, at) => ({ ...one, key: at })),
    columns: [
      { head: 'Role', row: true, cell: (one) => one.role },
      { head: 'Answers to *IDN?', cell: (one) => one.idn },
      { head: 'Dialect', cell: (one) => one.dialect },
    ],
  });
}

function files(rows) {
  return table({
    caption: 'Files of this run', hideCaption: true, test: 'entry-files', empty: 'No file is told.', rows: rows.map((one) => ({ ...one, key: one.name })),
    columns: [
      { head: 'File', row: true, cell: (one) => el('span', { class: 'file' }, one.name) },
      { head: 'Size', number: true, cell: (one) => size(one.bytes) },
      { head: 'SHA-256', cell: (one) => (one.sha256 ? hash(one.sha256) : 'in the journal’s chain') },
    ],
  });
}
