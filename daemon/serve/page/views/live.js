// What happens now on a bench: its state, the run, what came out so far, and figures that follow it. Of several benches
// one is shown, which the address names; else the one that needs a person most when the view is opened.

import { el, keyed, redraw } from '../dom.js';
import { AT_LENGTH } from '../bar.js';
import { benchAddress } from '../route.js';
import { benchWords, worstBench } from '../words.js';
import { BenchNow } from './bench_now.js';
import { LogNow } from './log_now.js';
import { Next } from './next.js';

export function live(state, route) {
  const asked = route.query.get('bench');
  let chosen = null;
  let section = null;
  const room = el('div', { 'data-test': 'benches' });
  const choice = el('nav', { class: 'choice', 'aria-label': 'Benches', 'data-test': 'bench-choice' });
  const unknown = el('p', { class: 'problem', role: 'status', hidden: true }, `There is no bench “${asked}” here.`);
  const [log, next] = [new LogNow(state), new Next(state)];
  const below = el('div', { class: 'columns foot-columns' }, log.node, next.node);
  // With one bench what is said and what comes next stand beside its figures.
  const place = () => {
    const side = state.benches.size === 1 && section?.side.parentElement.hidden === false ? section.side : below;
    if (next.node.parentElement !== side) side.append(...(side === below ? [log.node, next.node] : [next.node, log.node]));
  };
  const choose = () => {
    // Only what is not there any more is left: a view must not change under a person's eyes.
    if (!state.benches.has(chosen)) chosen = state.benches.has(asked) ? asked : worstBench(state)?.bench ?? null;
    unknown.hidden = asked === null || state.benches.size === 0 || state.benches.has(asked);
    drawChoice(choice, state, chosen);
  };
  const waiting = el('p', { class: 'soft' }, 'Waiting for the daemon.');
  const draw = (kind, data) => {
    waiting.hidden = state.benches.size > 0;
    choose();
    keyed(room, state.benches.has(chosen) ? [state.benches.get(chosen)] : [], (bench) => bench.bench, (bench) => {
      section = new BenchNow(state, bench);
      return section.node;
    }, (node, bench) => section.update(bench, kind, data));
    place();
    log.update();
    next.update();
  };
  const unsubscribe = state.subscribe((kind, data) => kind !== 'beat' && draw(kind, data));
  // Readings grow old without anybody saying so.
  const ticking = setInterval(() => draw('tick'), 1000);
  draw('all');
  return {
    title: 'Now',
    node: el('div', { class: 'view' }, el('h1', { class: 'unseen' }, 'What happens now'), waiting, unknown, choice, room,
      below),
    stop: () => {
      clearInterval(ticking);
      unsubscribe();
    },
  };
}

function drawChoice(choice, state, chosen) {
  choice.hidden = state.benches.size < 2;
  const benches = choice.hidden ? [] : [...state.benches.values()];
  const shown = benches.map((bench) => [bench.bench, bench.name, benchWords(bench, state.connection)]);
  redraw(choice, [shown, chosen], () => (shown.length > AT_LENGTH ? list(shown, chosen) : links(shown, chosen)));
}

function links(shown, chosen) {
  return el('ul', {}, shown.map(([id, name, words]) => el('li', {},
    el('a', { href: benchAddress(id), 'data-tone': words.tone, 'aria-current': id === chosen ? 'page' : null }, name,
      el('span', { class: 'soft' }, words.headline)))));
}

// The bar has a link for each already.
function list(shown, chosen) {
  const select = el('select', { id: 'bench-shown', 'data-test': 'bench-shown', on: { change: (event) => { location.hash = benchAddress(event.target.value); } } },
    shown.map(([id, name, words]) => el('option', { value: id, selected: id === chosen }, `${name}: ${words.headline}`)));
  return el('div', { class: 'field' }, el('label', { for: 'bench-shown' }, 'Bench'), select);
}
