// Two or more runs over each other: what differs in their conditions, ratings side by side, one figure.

import { el } from '../dom.js';
import { get } from '../api.js';
import { moment, plain, uncertain } from '../format.js';
import { Figure } from '../figure.js';
import { shown } from '../problem.js';
import { outcome } from '../ratings.js';
import { compareAddress, runAddress } from '../route.js';
import { table } from '../table.js';
import { causeWords, conditions } from '../words.js';

export function comparing(state, route) {
  const chosen = [...new Set(route.query.getAll('run'))];
  const result = el('div', {});
  const choice = el('div', {});
  const node = el('div', { class: 'view' }, el('h1', {}, 'Compare runs'), choice, result);
  shown(choice, async () => choice.replaceChildren(choose((await get(['runs'])).runs, chosen)));
  if (chosen.length >= 2) {
    shown(result, async () => result.replaceChildren(...draw(await get(['compare'], { run: chosen }), chosen)));
  }
  return { title: 'Compare', node, stop() {} };
}

function choose(runs, chosen) {
  const boxes = runs.map((run) => el('input', { type: 'checkbox', id: `run-${run.run}`, value: run.run, checked: chosen.includes(run.run) }));
  const said = el('p', { role: 'status' });
  const form = el('form', { class: 'panel form', 'data-test': 'compare-choice' },
    el('fieldset', {}, el('legend', {}, 'Runs to compare'), runs.length ? runs.map((run, at) => el('div', { class: 'check' }, boxes[at],
      el('label', { for: boxes[at].id }, run.amplifier, el('span', { class: 'soft' }, ', ', moment(run.started_utc, { withDate: true }), `, ${run.script.split('/').at(-1)}`))))
      : el('p', {}, 'There is no run yet.')),
    el('button', { type: 'submit', class: 'main-button' }, 'Compare'), said);
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    const picked = boxes.filter((box) => box.checked).map((box) => box.value);
    if (picked.length < 2) said.textContent = 'Choose two or more.';
    else location.hash = compareAddress(picked).slice(1);
  });
  return el('details', { open: chosen.length < 2 }, el('summary', {}, chosen.length < 2 ? 'Choose runs' : 'Choose other runs'), form);
}

/** A run is told apart by a letter, which the figure's legend and the table's heads share with the list. */
const letter = (at) => String.fromCharCode(65 + at);

function draw(compared, chosen) {
  const figure = new Figure('compare', 'Power against distortion');
  figure.show(['compare.svg'], { run: chosen });
  return [
    el('ol', { class: 'lettered', type: 'A' }, compared.runs.map((run) => el('li', {},
      el('a', { href: runAddress(run.run) }, run.amplifier), run.invented ? el('span', { class: 'tag' }, 'invented') : null,
      el('span', { class: 'soft' }, ', ', moment(run.started_utc, { withDate: true }), ', ', el('span', { class: 'file' }, run.run))))),
    el('section', { class: 'part', 'aria-labelledby': 'differ' }, el('h2', { id: 'differ' }, 'What differs in how they were measured'),
      compared.differences.length
        ? el('ul', { 'data-test': 'differences' }, compared.differences.map((words) => el('li', {}, words)))
        : el('p', { 'data-test': 'differences' }, 'Nothing: conditions and bench are the same.')),
    el('section', { class: 'part', 'aria-labelledby': 'side' }, el('h2', { id: 'side' }, 'Ratings side by side'), rowsTable(compared)),
    el('section', { class: 'part figures', 'aria-label': 'Figure' }, figure.node),
  ];
}

function rowsTable(compared) {
  return table({
    caption: 'Ratings side by side', hideCaption: true, test: 'compare-rows', empty: 'These runs have no rating in common conditions.',
    rows: compared.rows,
    columns: [
      { head: 'Conditions', row: true, cell: conditions },
      ...compared.runs.map((run, at) => ({ head: `${letter(at)}: ${run.amplifier}`, cell: (row) => cell(row.cells[at]) })),
    ],
  });
}

function cell(one) {
  if (!one) return 'not measured';
  return [uncertain(one.measured, one.expanded_u, one.unit), ' of ', plain(one.rated, one.unit), el('br'),
    outcome(one.verdict), el('span', { class: 'soft' }, `, ${causeWords(one.cause)}`)];
}
