// One run: ratings, why each ceiling stops where it does, figures, steps, files, report.

import { el } from '../dom.js';
import { address, get } from '../api.js';
import { duration, moment, size } from '../format.js';
import { shown } from '../problem.js';
import { findingsTable } from '../findings.js';
import { outcome, ratingStory, ratingsTable } from '../ratings.js';
import { stepsTable } from '../readings.js';
import { compareAddress } from '../route.js';
import { facts, table } from '../table.js';
import { RunFigures } from './run_figures.js';
import { stepChoice } from './step_choice.js';

export function run(state, route) {
  const place = el('div', { 'data-test': 'run' }, el('p', { class: 'soft' }, 'Reading the run.'));
  const load = () => shown(place, async () => {
    const [whole, { steps }, { files }] = await Promise.all([
      get(['runs', route.run]), get(['runs', route.run, 'steps']), get(['runs', route.run, 'files']),
    ]);
    place.replaceChildren(...draw(whole, steps, files));
  });
  load();
  const unsubscribe = state.subscribe((kind, data) => {
    if (kind === 'job' && data.run === route.run && data.state === 'ended') load();
  });
  return { title: route.run, node: el('div', { class: 'view' }, place), stop: unsubscribe };
}

function draw(whole, steps, files) {
  const figures = new RunFigures();
  figures.show(whole.run);
  const records = lastOfEach(whole.ratings_file?.ratings ?? []);
  const left = whole.ratings_file?.not_measured ?? [];
  return [
    el('h1', {}, whole.amplifier, whole.invented ? el('span', { class: 'tag' }, 'invented') : null),
    el('p', { class: 'file soft' }, whole.run),
    whole.error ? el('p', { class: 'problem', 'data-test': 'run-error' }, whole.error) : null,
    el('p', { class: 'actions' },
      el('a', { class: 'button', href: address(['runs', whole.run, 'report']), 'data-test': 'report' }, 'Report'), ' ',
      el('a', { class: 'button', href: compareAddress([whole.run]) }, 'Compare with another run')),
    overview(whole),
    section('ratings', 'Ratings', ratingsTable(records, { caption: 'Ratings of this run', empty: 'This run judged no rating.' }),
      left.length ? el('ul', { class: 'notes' }, left.map((one) => el('li', {}, `Rating ${one.rating} was not measured: ${one.why}`))) : null),
    whole.findings?.length ? section('findings', 'Findings', findingsTable(whole.findings, { caption: 'Findings of this run' })) : null,
    section('figures', 'Curves and captures', steps.length ? stepChoice(whole.run, steps, figures) : null,
      el('div', { class: 'figures' }, figures.whole, figures.capture)),
    records.length ? section('causes', 'Why it stops there', records.map(ratingStory)) : null,
    section('steps', 'Steps', el('details', { 'data-test': 'steps-box' }, el('summary', {}, `All ${steps.length} steps`), stepsTable(steps))),
    section('files', 'Files', ...filesParts(whole.run, files)),
  ].filter(Boolean);
}

function section(id, title, ...children) {
  return el('section', { 'aria-labelledby': id, class: 'part' }, el('h2', { id }, title), ...children);
}

/** The last record of a rating's number counts. */
function lastOfEach(records) {
  return [...new Map(records.map((record) => [record.rating, record])).values()].sort((a, b) => a.rating - b.rating);
}

function overview(whole) {
  const took = whole.ended_utc ? (Date.parse(whole.ended_utc) - Date.parse(whole.started_utc)) / 1000 : null;
  return facts([
    ['Outcome', whole.outcome ? outcome(whole.outcome) : 'goes on', 'run-outcome'],
    ['Started', moment(whole.started_utc, { withDate: true })],
    ['Took', took === null ? null : duration(took)],
    ['Steps', String(whole.steps)],
    ['Script', whole.script],
    ['Bench', whole.bench],
    ['Serial number', whole.serial],
  ], { class: 'facts spread' });
}

/** Tables first; the captures, often hundreds, only where they are wanted. */
function filesParts(run, files) {
  const captures = files.filter((file) => file.name.startsWith('captures/'));
  const others = files.filter((file) => !captures.includes(file));
  const box = el('details', { 'data-test': 'captures-box' }, el('summary', {}, `All ${captures.length} captures`),
    filesTable(run, captures, 'captures', 'Captures of this run'));
  return [filesTable(run, others, 'files', 'Files of this run'), captures.length ? box : null];
}

function filesTable(run, files, test, caption) {
  return table({
    caption, hideCaption: true, compact: true, test, empty: 'There is no file.',
    rows: files.map((file) => ({ ...file, key: file.name })),
    columns: [
      { head: 'File', row: true, cell: (file) => el('a', { href: address(['runs', run, 'files', ...file.name.split('/')]), download: file.name.split('/').at(-1), class: 'file' }, file.name) },
      { head: 'Size', number: true, cell: (file) => size(file.bytes) },
    ],
  });
}
