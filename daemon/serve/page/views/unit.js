// A unit over time: every run of its serial number, the first one first.

import { el } from '../dom.js';
import { get } from '../api.js';
import { shown } from '../problem.js';
import { findAddress, unitAddress } from '../route.js';
import { foundTable } from './found_table.js';

export function unit(state, route) {
  const { serial, query } = route;
  const [maker, model] = [query.get('maker'), query.get('model')];
  const place = el('div', { 'data-test': 'unit-runs' }, el('p', { class: 'soft' }, 'Reading its runs.'));
  shown(place, async () => {
    const { runs } = await get(['units', serial], { maker, model });
    place.replaceChildren(...draw(runs, serial));
  });
  const of = [maker, model].filter(Boolean).join(' ');
  return {
    title: serial, stop() {},
    node: el('div', { class: 'view' }, el('h1', {}, `Unit ${serial}`), of ? el('p', {}, `Of ${of} alone.`) : null, place,
      el('p', { class: 'actions' }, el('a', { class: 'button', href: findAddress({ serial }) }, 'Search this serial number'))),
  };
}

function draw(runs, serial) {
  return [
    el('p', { role: 'status' }, runs.length === 1 ? '1 run' : `${runs.length} runs`),
    makers(runs, serial),
    foundTable(runs, { caption: 'Runs of this unit, the first one first', empty: 'No run of this serial number is in the catalogue.' }),
  ].filter(Boolean);
}

// A serial number is a maker's own: units of two makers may bear the same.
function makers(runs, serial) {
  const kinds = new Map(runs.map(({ maker, model }) => [`${maker}\n${model}`, { maker, model }]));
  if (kinds.size < 2) return null;
  return el('div', { class: 'panel', 'data-test': 'unit-makers' }, el('p', {}, 'Different amplifiers bear this number. One alone:'),
    el('ul', {}, [...kinds.values()].map((of) => el('li', {}, el('a', { href: unitAddress(serial, of) }, `${of.maker} ${of.model}`)))));
}
