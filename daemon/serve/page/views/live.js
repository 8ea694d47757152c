// What happens now: one section a bench, with its state, the run, what came out so far, and figures that follow it.

import { el, keyed } from '../dom.js';
import { BenchNow } from './bench_now.js';
import { LogNow } from './log_now.js';
import { Next } from './next.js';

export function live(state) {
  const sections = new Map();
  const benches = el('div', { 'data-test': 'benches' });
  const [log, next] = [new LogNow(state), new Next(state)];
  const below = el('div', { class: 'columns foot-columns' }, log.node, next.node);
  // With one bench what is said and what comes next stand beside its figures.
  const place = () => {
    const [only] = state.benches.size === 1 ? sections.values() : [];
    const room = only?.side.parentElement.hidden === false ? only.side : below;
    if (next.node.parentElement !== room) room.append(...(room === below ? [log.node, next.node] : [next.node, log.node]));
  };
  const waiting = el('p', { class: 'soft' }, 'Waiting for the daemon.');
  const draw = (kind, data) => {
    waiting.hidden = state.benches.size > 0;
    keyed(benches, [...state.benches.values()], (bench) => bench.bench, (bench) => {
      const section = new BenchNow(state, bench);
      sections.set(bench.bench, section);
      return section.node;
    }, (node, bench) => sections.get(bench.bench).update(bench, kind, data));
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
    node: el('div', { class: 'view' }, el('h1', { class: 'unseen' }, 'What happens now'), waiting, benches,
      below),
    stop: () => {
      clearInterval(ticking);
      unsubscribe();
    },
  };
}
