// The bar that is always in sight: the state of each bench in words, and its STOP, first in the order of keys.

import { el, keyed, redraw, setAttribute, setText } from './dom.js';
import { benchCounts, benchWords, worstHeadline } from './words.js';
import { duration } from './format.js';
import { benchAddress } from './route.js';
import { BY_HAND, Stops, listenForEscape } from './stop.js';

export function startBar(state) {
  const bar = document.getElementById('bar');
  const draw = () => drawBar(bar, state, stops);
  const stops = new Stops(state, draw);
  listenForEscape(stops);
  state.subscribe((kind) => ['all', 'bench', 'job', 'connection'].includes(kind) && draw());
  draw();
}

// Before the first answer there is no bench to name, but the bar must not look as if all was well.
const NOBODY = { bench: '', name: 'Bench', guard: 'unknown', outputs: 'unknown', job: null };

/** More benches than that are told in short, so that every one is in sight at once. */
export const AT_LENGTH = 3;
/** Key of the row that is for all of them; no bench can have it. */
const ALL = '*';
/** Key of the row of a read-only view. */
const VIEW_ROW = '/';

function drawBar(bar, state, stops) {
  setAttribute(bar, 'aria-label', state.view ? 'Read-only view' : 'State of every bench and STOP');
  if (state.view) {
    keyed(bar, [state.view], () => VIEW_ROW, makeView, (row, place) => updateView(row, place, state));
    return;
  }
  const benches = state.benches.size ? [...state.benches.values()] : [NOBODY];
  const several = benches.length > 1;
  setAttribute(bar, 'data-many', benches.length > AT_LENGTH ? 'yes' : null);
  const rows = several ? [{ bench: ALL }, ...benches] : benches;
  keyed(bar, rows, (bench) => bench.bench, (bench) => (bench.bench === ALL ? makeAll(stops) : makeRow(bench, stops)), (row, bench) => {
    if (bench.bench === ALL) updateAll(row, state, benches);
    else updateRow(row, bench, state, stops, several);
  });
}

// No STOP: there is nothing here that it could reach, and it must not be looked for here.
function makeView() {
  return el('div', { class: 'bar-row', 'data-test': 'bar-view' }, el('div', { class: 'bar-in' },
    el('div', { class: 'bar-state' }, el('p', { class: 'bar-headline', 'data-test': 'headline' }), el('p', { class: 'bar-meaning', 'data-test': 'meaning' }))));
}

function updateView(row, place, state) {
  const lost = state.connection === 'lost';
  setAttribute(row, 'data-tone', lost ? 'unknown' : 'calm');
  setText(row.querySelector('.bar-headline'), worstHeadline(state));
  setText(row.querySelector('.bar-meaning'), `Over ${place}. ${lost ? 'What is shown is old.' : 'No bench is here: STOP is on the page of each bench, and at the bench.'}`);
}

// One STOP for all of them comes first: whoever needs it must not look for the right one.
function makeAll(stops) {
  return el('div', { class: 'bar-row bar-all', 'data-test': 'bar-all' },
    el('div', { class: 'bar-in' },
      el('button', { type: 'button', class: 'stop', 'data-test': 'stop-all', on: { click: () => stops.stopAll() } },
        el('span', { class: 'stop-word' }, 'STOP all'), el('span', { class: 'stop-key' }, 'Esc twice')),
      el('p', { class: 'bar-counts', 'data-test': 'bar-counts' })));
}

function updateAll(row, state, benches) {
  setAttribute(row.querySelector('.stop'), 'data-reach', state.connection === 'live' ? 'yes' : 'no');
  setText(row.querySelector('.bar-counts'), `${benches.length} benches: ${benchCounts(benches, state.connection)}`);
}

function makeRow(bench, stops) {
  const button = el('button', {
    type: 'button', class: 'stop', 'data-test': 'stop', 'data-bench': bench.bench,
    on: { click: () => stops.stop(bench.bench) },
  }, el('span', { class: 'stop-word' }, 'STOP'),
  el('span', { class: 'unseen stop-what' }), el('span', { class: 'stop-key' }, 'Esc twice'));
  return el('div', { class: 'bar-row', 'data-test': 'bar-row' },
    el('div', { class: 'bar-in' },
      button,
      el('div', { class: 'bar-state' },
        el('p', { class: 'bar-headline', 'data-test': 'headline' }),
        el('p', { class: 'bar-meaning', 'data-test': 'meaning' }),
        el('p', { class: 'bar-progress', 'data-test': 'bar-progress' }))),
    el('p', { class: 'bar-stop', role: 'alert', 'data-test': 'stop-said' }));
}

function updateRow(row, bench, state, stops, several) {
  const words = benchWords(bench, state.connection);
  const find = (name) => row.querySelector(name);
  setAttribute(row, 'data-tone', words.tone);
  setAttribute(row, 'data-guard', state.connection === 'live' ? bench.guard : 'unknown');
  setAttribute(row, 'data-outputs', state.connection === 'live' ? bench.outputs : 'unknown');
  const button = find('.stop');
  button.hidden = bench.bench === '';
  setText(find('.stop-what'), `${bench.name}: switch everything off now.`);
  setAttribute(button, 'data-reach', state.connection === 'live' ? 'yes' : 'no');
  // Escape twice stops every bench, so it is told at the button that does.
  find('.stop-key').hidden = several;
  redraw(find('.bar-headline'), [several, bench.bench, bench.name, words.headline], () => (several
    ? [el('a', { href: benchAddress(bench.bench) }, bench.name), el('span', { class: 'colon' }, ': '), words.headline] : words.headline));
  setText(find('.bar-meaning'), words.meaning);
  setText(find('.bar-progress'), state.connection === 'live' ? progress(state, bench) : '');
  const said = find('.bar-stop');
  const stop = stops.of.get(bench.bench);
  setText(said, stopText(stop, state));
  setAttribute(said, 'data-phase', stop?.phase ?? (state.connection === 'lost' ? 'unreachable' : null));
}

function stopText(stop, state) {
  if (state.connection === 'lost') {
    const before = stop && stop.phase !== 'off' ? `${stop.words} ` : '';
    return before.includes(BY_HAND) ? before.trim() : `${before}STOP can’t be reached from here. ${BY_HAND}`;
  }
  return stop ? stop.words : '';
}

function progress(state, bench) {
  const job = bench.job === null ? null : state.jobs.get(bench.job);
  if (!job) return '';
  const of = job.steps_planned ? ` of ${job.steps_planned}` : '';
  const left = job.left_s === null ? '' : `, about ${duration(job.left_s)} left`;
  return `Step ${job.steps}${of}${left}. ${job.amplifier}`;
}
