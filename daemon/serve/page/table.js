// Tables that stay tables for a screen reader and become lists of labelled lines on a phone.

import { el } from './dom.js';

/**
 * A table. `columns`: `{head, cell(row), number?, row?, sort?}`; `row: true` marks the column that names its row.
 * `sort`, of a column: `{way: 'ascending' | 'descending' | null, by()}` makes its head a button that puts the rows in order.
 * `wide` lets it scroll in its own box, `compact` keeps it a table on a phone because it is narrow enough.
 * Roles are written out because a table that is laid out as blocks loses them otherwise.
 */
export function table({ caption, hideCaption = false, columns, rows, test, empty, wide = false, compact = false }) {
  if (!rows.length && empty) return el('p', { class: 'empty', 'data-test': test }, empty);
  const head = el('tr', { role: 'row' }, columns.map((column) => el('th', {
    role: 'columnheader', scope: 'col', class: column.number ? 'number' : null, 'aria-sort': column.sort?.way ?? null,
  }, column.sort ? sortButton(column) : column.head)));
  const made = el('table', { role: 'table', class: wide ? 'wide' : compact ? 'compact' : 'stacks', 'data-test': test },
    el('caption', { class: hideCaption ? 'unseen' : null }, caption),
    el('thead', { role: 'rowgroup' }, head),
    el('tbody', { role: 'rowgroup' }, rows.map((row, at) => bodyRow(columns, row, at))));
  if (!wide) return made;
  return el('div', { class: 'scrolls', tabindex: 0, role: 'region', 'aria-label': caption }, made);
}

// The arrow differs in shape; the words of it are `aria-sort`. Where heads are not seen, no button may take the focus.
function sortButton({ head, sort }) {
  const arrow = { ascending: '\u00a0↑', descending: '\u00a0↓' }[sort.way] ?? '';
  return [
    el('button', { type: 'button', class: 'sorts', 'data-sorts': head, on: { click: sort.by } }, head, el('span', { 'aria-hidden': 'true' }, arrow)),
    el('span', { class: 'sorts-word' }, head),
  ];
}

function bodyRow(columns, row, at) {
  return el('tr', { role: 'row', 'data-row': row.key ?? at }, columns.map((column) => el(column.row ? 'th' : 'td', {
    role: column.row ? 'rowheader' : 'cell',
    scope: column.row ? 'row' : null,
    class: column.number ? 'number' : null,
    'data-label': column.head,
    'data-test': column.test ?? null,
  }, el('span', { class: 'cell' }, column.cell(row)))));
}

/** Name and value pairs. A pair without a value is left out. */
export function facts(pairs, attributes = {}) {
  return el('dl', { class: 'facts', ...attributes }, pairs
    .filter(([, value]) => value !== null && value !== undefined && value !== '')
    .map(([name, value, test]) => el('div', {}, el('dt', {}, name), el('dd', { 'data-test': test ?? null }, value))));
}
