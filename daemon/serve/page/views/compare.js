// Two or more runs over each other: what differs in their conditions, ratings and quantities side by side, figures.
// Runs whose numbers are not comparable are shown only after a person has read why and asked for them all the same.

import { el } from '../dom.js';
import { get } from '../api.js';
import { moment, plain, uncertain } from '../format.js';
import { Figure } from '../figure.js';
import { problemBox, shown } from '../problem.js';
import { outcome } from '../ratings.js';
import { compareAddress, runAddress } from '../route.js';
import { table } from '../table.js';
import { causeWords, conditions } from '../words.js';

export function comparing(state, route) {
  const chosen = [...new Set(route.query.getAll('run'))];
  const options = { by_unit: route.query.get('by_unit') === 'true', incomparable: route.query.get('incomparable') === 'true' };
  const result = el('div', {});
  const choice = el('div', {});
  const node = el('div', { class: 'view' }, el('h1', {}, 'Compare runs'), choice, result);
  shown(choice, async () => choice.replaceChildren(choose((await get(['runs'])).runs, chosen)));
  if (chosen.length >= 2) shown(result, () => show(result, chosen, options));
  return { title: 'Compare', node, stop() {} };
}

async function show(result, chosen, options) {
  const asked = { run: chosen, ...Object.fromEntries(Object.entries(options).filter(([, wanted]) => wanted)) };
  try {
    result.replaceChildren(...draw(await get(['compare'], asked), chosen, options, asked));
  } catch (error) {
    if (error.status !== 409) throw error;
    result.replaceChildren(problemBox(error), el('p', {}, el('a', {
      href: compareAddress(chosen, { ...options, incomparable: true }), 'data-test': 'compare-anyway',
    }, 'Show these numbers side by side all the same')));
  }
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

function draw(compared, chosen, options, asked) {
  const figure = (kind, title) => {
    const made = new Figure(kind === 'distortion' ? 'compare' : `compare-${kind}`, title);
    made.show(['compare.svg'], { ...asked, figure: kind });
    return made.node;
  };
  const swept = compared.quantities.some((row) => row.told_by === 'finding' && row.at && /^clean (power|output)$/.test(row.quantity));
  const curved = compared.quantities.some((row) => row.told_by === 'curve');
  return [
    compared.incomparable.length ? loud(compared.incomparable) : null,
    el('ol', { class: 'lettered', type: 'A' }, compared.columns.map((column) => listed(column, compared.runs))),
    unitLink(chosen, options),
    el('section', { class: 'part', 'aria-labelledby': 'differ' }, el('h2', { id: 'differ' }, 'What differs in how they were measured'),
      compared.differences.length
        ? el('ul', { 'data-test': 'differences' }, compared.differences.map((words) => el('li', {}, words)))
        : el('p', { 'data-test': 'differences' }, 'Nothing: conditions and bench are the same.')),
    el('section', { class: 'part', 'aria-labelledby': 'side' }, el('h2', { id: 'side' }, 'Ratings side by side'),
      el('p', { class: 'soft' }, 'A difference is significant where it is larger than its own U, the root of the sum of squares of both.'), rowsTable(compared)),
    compared.quantities.length ? el('section', { class: 'part', 'aria-labelledby': 'quantities' },
      el('h2', { id: 'quantities' }, 'Quantities side by side'), quantitiesTable(compared)) : null,
    el('section', { class: 'part figures', 'aria-label': 'Figures' }, figure('distortion', 'Power against distortion'),
      curved ? figure('bars', 'Clean power at three limits') : null, swept ? figure('sweeps', 'Clean power over what was swept') : null),
  ].filter(Boolean);
}

function loud(reasons) {
  return el('div', { class: 'problem', role: 'alert', 'data-test': 'incomparable' },
    el('p', {}, el('strong', {}, 'These numbers are not comparable. '), 'Draw no conclusion from one being larger than another:'),
    el('ul', {}, reasons.map((reason) => el('li', {}, reason))));
}

function listed(column, runs) {
  const own = runs.filter((run) => column.runs.includes(run.run));
  return el('li', {}, own.map((run, at) => [at ? el('br') : null,
    el('a', { href: runAddress(run.run) }, run.amplifier), run.invented ? el('span', { class: 'tag' }, 'invented') : null,
    column.golden && !at ? el('span', { class: 'tag' }, 'known to be good') : null,
    el('span', { class: 'soft' }, ', ', moment(run.started_utc, { withDate: true }), ', ', el('span', { class: 'file' }, run.run))]));
}

function unitLink(chosen, options) {
  return el('p', {}, el('a', { href: compareAddress(chosen, { ...options, by_unit: !options.by_unit }), 'data-test': 'by-unit' },
    options.by_unit ? 'A column for each run' : 'Put runs of one unit into one column'));
}

/** How a number differs from that of the first column that has one. */
function differs(one, unit) {
  if (!one) return null;
  const to = ` to ${letter(one.with)}`;
  if (one.significant === null) return el('span', { class: 'soft difference' }, plain(one.by, unit), to, ': U not told');
  const words = [uncertain(one.by, one.expanded_u, unit), to, ': '];
  return one.significant
    ? el('span', { class: 'difference', 'data-test': 'significant' }, words, el('strong', {}, 'significant'))
    : el('span', { class: 'soft difference' }, words, 'no difference shown');
}

function quantitiesTable(compared) {
  return table({
    caption: 'Quantities side by side', hideCaption: true, test: 'compare-quantities', wide: true,
    rows: compared.quantities,
    columns: [
      { head: 'Quantity', row: true, cell: (row) => row.quantity },
      { head: 'Conditions', cell: quantityConditions },
      ...compared.columns.map((column, at) => ({ head: `${letter(at)}: ${column.maker} ${column.model}`, cell: (row) => quantityCell(row, at) })),
    ],
  });
}

function quantityConditions(row) {
  const rated = row.load_ohm === null ? [] : [conditions(row)];
  const channel = row.channel === null ? [] : [`channel ${row.channel}`];
  return [...channel, ...rated, ...(row.at ? [row.at] : [])].join(', ');
}

function quantityCell(row, at) {
  const one = row.cells[at];
  if (!one) return '–';
  const note = [row.at ? '' : one.at, one.note].filter(Boolean).join('; ');
  const number = one.value === null ? 'not told' : one.expanded_u === null ? plain(one.value, row.unit) : uncertain(one.value, one.expanded_u, row.unit);
  const told = differs(row.differences[at], row.unit);
  return [number, one.verdict ? [', ', outcome(one.verdict)] : null, told ? [el('br'), told] : null,
    note ? [el('br'), el('span', { class: 'soft' }, note)] : null];
}

function rowsTable(compared) {
  return table({
    caption: 'Ratings side by side', hideCaption: true, test: 'compare-rows', empty: 'These runs have no rating in common conditions.',
    rows: compared.rows,
    columns: [
      { head: 'Conditions', row: true, cell: conditions },
      ...compared.columns.map((column, at) => ({ head: `${letter(at)}: ${column.maker} ${column.model}`, cell: (row) => cell(row.cells[at], row.differences[at]) })),
    ],
  });
}

function cell(one, difference) {
  if (!one) return 'not measured';
  return [uncertain(one.measured, one.expanded_u, one.unit), ' of ', plain(one.rated, one.unit), el('br'),
    outcome(one.verdict), el('span', { class: 'soft' }, `, ${causeWords(one.cause)}`),
    difference ? [el('br'), differs(difference, one.unit)] : null];
}
