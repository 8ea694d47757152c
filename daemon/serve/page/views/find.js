// The search over all runs of the catalogue. What is asked stands in the address, so that it can be kept and sent.

import { el, setText } from '../dom.js';
import { address, get } from '../api.js';
import { shown } from '../problem.js';
import { findAddress } from '../route.js';
import { saveLink } from '../saving.js';
import { causeWords } from '../words.js';
import { WAY_OF, foundTable } from './found_table.js';

/** Runs of one page. */
const PAGE = 50;
/** Most runs that the daemon puts into one file. */
const CSV_MAX = 10_000;

const VERDICTS = [['', 'any'], ['short', 'short'], ['undecided', 'undecided'], ['meets', 'meets'], ['none', 'none judged']];
const CAUSES = ['clipping', 'soft clipping', 'limiting', 'sag', 'protection', 'drive exhausted', 'current limit', 'thermal', 'undetermined'];
/** Orders that are offered; a column's head offers both ways of its own. */
const ORDERS = [
  ['', 'newest first'], ['date asc', 'oldest first'], ['maker', 'maker and model'], ['model', 'model'], ['serial', 'serial number'],
  ['verdict', 'short first'], ['ratio', 'worst rating first'], ['script', 'script'], ['bench', 'bench'],
];

const text = (name, label) => ({ name, label, make: (id) => el('input', { id, type: 'search', autocomplete: 'off', spellcheck: 'false' }) });
const date = (name, label) => ({ name, label, make: (id) => el('input', { id, type: 'date' }) });
const choice = (name, label, options) => ({
  name, label, make: (id) => el('select', { id }, options.map(([value, words]) => el('option', { value }, words))),
});
const FIELDS = [
  text('serial', 'Serial number'), text('maker', 'Maker contains'), text('model', 'Model contains'),
  date('from', 'From day (UTC)'), date('to', 'To day (UTC)'),
  choice('verdict', 'Verdict', VERDICTS),
  choice('cause', 'Ceiling cause', [['', 'any'], ...CAUSES.map((cause) => [cause, causeWords(cause)])]),
  text('script', 'Script, whole name'), text('bench', 'Bench, whole name'),
];

export function find(state, route) {
  const search = new Search(Object.fromEntries(route.query));
  search.load();
  return { title: 'Search', node: search.node, stop() {} };
}

class Search {
  #asked;
  #turn = 0;
  #inputs = new Map(FIELDS.map(({ name, make }) => [name, make(`find-${name}`)]));
  #order = el('select', { id: 'find-order', on: { change: () => this.#ordered() } }, ORDERS.map(([value, words]) => el('option', { value }, words)));
  #count = el('p', { role: 'status', 'data-test': 'found-count' });
  #csv = el('span', {});
  #said = el('div', {});
  #list = el('div', {});
  #pages = el('nav', { class: 'line pages', 'aria-label': 'Pages of the search', hidden: true });
  node;

  constructor(asked) {
    this.#asked = asked;
    const field = (name, label, input) => {
      input.dataset.test = `find-${name}`;
      return el('div', { class: 'field' }, el('label', { for: input.id }, label), input);
    };
    const form = el('form', { class: 'search', role: 'search', 'aria-label': 'Search all runs', on: { submit: (event) => this.#submitted(event) } },
      FIELDS.map(({ name, label }) => field(name, label, this.#inputs.get(name))), field('order', 'Order', this.#order),
      el('div', { class: 'line' }, el('button', { type: 'submit', class: 'main-button', 'data-test': 'find-go' }, 'Search'),
        el('a', { class: 'button', href: findAddress(), 'data-test': 'find-clear' }, 'Clear')));
    this.node = el('div', { class: 'view' }, el('h1', {}, 'Search all runs'), form, this.#said,
      el('div', { class: 'line between' }, this.#count, this.#csv), this.#list, this.#pages);
    this.#fill();
  }

  // What the address says stands in the fields, also where no choice offers it.
  #fill() {
    for (const [name, input] of this.#inputs) choose(input, this.#asked[name] ?? '');
    const { sort = 'date', order } = this.#asked;
    const usual = WAY_OF[sort] ?? 'asc';
    choose(this.#order, !order || order === usual ? (sort === 'date' ? '' : sort) : `${sort} ${order}`);
  }

  #submitted(event) {
    event.preventDefault();
    const asked = Object.fromEntries([...this.#inputs].map(([name, input]) => [name, input.value.trim()]));
    this.#ask({ ...asked, sort: this.#asked.sort, order: this.#asked.order });
  }

  #ordered() {
    const [sort, order] = this.#order.value.split(' ');
    this.#ask({ ...this.#asked, sort, order, offset: '' });
  }

  // Without a change of view, so that the focus stays where it is; the way back is the browser's own.
  #ask(asked) {
    this.#asked = Object.fromEntries(Object.entries(asked).filter(([, value]) => value));
    history.pushState(null, '', findAddress(this.#asked));
    this.#fill();
    return this.load();
  }

  async load() {
    const turn = ++this.#turn;
    const offset = Number(this.#asked.offset ?? 0);
    const answer = await shown(this.#said, () => get(['find'], { ...this.#asked, limit: PAGE }));
    if (turn !== this.#turn) return;
    if (answer) this.#draw(answer, offset);
    else for (const part of [this.#list, this.#csv, this.#pages, this.#count]) part.replaceChildren();
  }

  #draw({ runs, found }, offset) {
    const last = offset + runs.length;
    setText(this.#count, found === 0 ? 'No run' : runs.length === found ? `${found} ${found === 1 ? 'run' : 'runs'}` : `${offset + 1} to ${last} of ${found} runs`);
    const { offset: _, ...asked } = this.#asked;
    const words = found > CSV_MAX ? `The first ${CSV_MAX} as CSV` : 'All of them as CSV';
    this.#csv.replaceChildren(found ? saveLink(address(['find'], { ...asked, format: 'csv' }), 'runs.csv', this.#said, { class: 'button', 'data-test': 'find-csv' }, words) : '');
    this.#list.replaceChildren(foundTable(runs, { caption: 'Runs that were found', empty: this.#emptyWords(found), sort: this.#sort() }));
    this.#drawPages(offset, last, found);
  }

  #emptyWords(found) {
    if (found > 0) return 'There are fewer runs than that: go back to the first page.';
    const { sort, order, offset, ...conditions } = this.#asked;
    return Object.keys(conditions).length
      ? 'No run is like that.'
      : 'No run is in the catalogue yet. A run comes into it when it ends; `wattproof reindex` brings in those from before.';
  }

  /** How a column's head puts the runs in order: once its own way, again the other. */
  #sort() {
    const now = this.#asked.sort ?? 'date';
    const descending = (this.#asked.order ?? WAY_OF[now]) === 'desc';
    return (name, head) => ({
      way: name !== now ? null : descending ? 'descending' : 'ascending',
      by: async () => {
        const order = name === now ? (descending ? 'asc' : 'desc') : WAY_OF[name];
        await this.#ask({ ...this.#asked, sort: name, order, offset: '' });
        [...this.#list.querySelectorAll('.sorts')].find((button) => button.dataset.sorts === head)?.focus();
      },
    });
  }

  #drawPages(offset, last, found) {
    const turn = (words, to, there, test) => el('button', {
      type: 'button', disabled: !there, 'data-test': test,
      on: {
        click: async () => {
          await this.#ask({ ...this.#asked, offset: to ? String(to) : '' });
          this.#count.scrollIntoView({ block: 'center' });
          this.#pages.querySelector(`[data-test="${test}"]:not([disabled])`)?.focus({ preventScroll: true });
        },
      },
    }, words);
    this.#pages.hidden = found <= PAGE && offset === 0;
    this.#pages.replaceChildren(turn('First', 0, offset > 0, 'page-first'),
      turn('Before', Math.max(offset - PAGE, 0), offset > 0, 'page-before'), turn('Next', last, last < found && last > offset, 'page-next'));
  }
}

/** Sets a field, with an option of its own for what a choice does not offer. */
function choose(input, value) {
  if (input instanceof HTMLSelectElement && ![...input.options].some((option) => option.value === value)) {
    const [sort, way] = value.split(' ');
    const words = ORDERS.find(([order]) => order === sort)?.[1];
    input.append(el('option', { value }, words && way ? `${words}, the other way round` : value));
  }
  input.value = value;
}
