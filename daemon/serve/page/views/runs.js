// Past runs: a list with a filter, from which two or more can be laid over each other.

import { el, redraw, setText } from '../dom.js';
import { get } from '../api.js';
import { moment, uncertain } from '../format.js';
import { shown } from '../problem.js';
import { outcome } from '../ratings.js';
import { compareAddress, findAddress, runAddress } from '../route.js';
import { table } from '../table.js';

const VERDICTS = [['', 'any'], ['meets', 'all met'], ['short', 'one short'], ['undecided', 'one undecided'], ['none', 'none judged']];

export function runs(state) {
  const list = new RunList();
  list.load();
  // A run that ended belongs on the list.
  const unsubscribe = state.subscribe((kind, data) => {
    if (kind === 'reloaded' || (kind === 'job' && ['ended', 'running'].includes(data.state) && list.lacks(data))) list.load();
  });
  return { title: 'Runs', node: list.node, stop: unsubscribe };
}

class RunList {
  #runs = [];
  #chosen = new Set();
  #text = el('input', { id: 'filter-text', type: 'search', 'data-test': 'filter-text', on: { input: () => this.#draw() } });
  #verdict = el('select', { id: 'filter-verdict', 'data-test': 'filter-verdict', on: { change: () => this.#draw() } },
    VERDICTS.map(([value, words]) => el('option', { value }, words)));
  #list = el('div', {});
  #count = el('p', { class: 'soft', role: 'status', 'data-test': 'count' });
  #compare = el('a', { class: 'button', 'data-test': 'compare-chosen', role: 'link' });
  #said = el('div', {});
  node = el('div', { class: 'view' }, el('h1', {}, 'Runs'),
    el('form', { class: 'line filter', role: 'search', on: { submit: (event) => event.preventDefault() } },
      el('div', { class: 'field' }, el('label', { for: 'filter-text' }, 'Amplifier, script, bench or name contains'), this.#text),
      el('div', { class: 'field' }, el('label', { for: 'filter-verdict' }, 'Verdict'), this.#verdict)),
    el('p', {}, el('a', { href: findAddress() }, 'Search all runs'), ' by serial number, date, cause and more.'),
    this.#said,
    el('div', { class: 'line between' }, this.#count, this.#compare), this.#list);

  async load() {
    const answer = await shown(this.#said, () => get(['runs']));
    if (!answer) return;
    this.#runs = answer.runs;
    this.#draw();
  }

  /** Whether a job's run is not listed as it stands. */
  lacks(job) {
    const listed = this.#runs.find((run) => run.run === job.run);
    return job.run !== null && (!listed || (job.state === 'ended' && listed.outcome === null));
  }

  #draw() {
    const rows = this.#runs.filter((run) => this.#matches(run));
    setText(this.#count, `${rows.length} of ${this.#runs.length} runs`);
    redraw(this.#list, rows, () => this.#table(rows));
    this.#offerCompare();
  }

  #matches(run) {
    const words = this.#text.value.toLocaleLowerCase().split(/\s+/).filter(Boolean);
    const all = [run.run, run.amplifier, run.serial, run.script, run.bench].join(' ').toLocaleLowerCase();
    const verdicts = run.ratings.map((rating) => rating.verdict);
    const fits = {
      '': () => true,
      meets: () => verdicts.length > 0 && verdicts.every((verdict) => verdict === 'meets'),
      none: () => verdicts.length === 0,
    }[this.#verdict.value] ?? (() => verdicts.includes(this.#verdict.value));
    return fits() && words.every((word) => all.includes(word));
  }

  #table(rows) {
    return table({
      caption: 'Runs, newest first', hideCaption: true, test: 'runs',
      empty: this.#runs.length ? 'No run fits this filter.' : 'There is no run yet.',
      rows: rows.map((run) => ({ ...run, key: run.run })),
      columns: [
        { head: 'Choose', cell: (run) => this.#choice(run) },
        { head: 'Amplifier', row: true, cell: (run) => [el('a', { href: runAddress(run.run) }, run.amplifier), run.invented ? el('span', { class: 'tag' }, 'invented') : null] },
        { head: 'Started', cell: (run) => moment(run.started_utc, { withDate: true }) },
        ...(new Set(this.#runs.map((run) => run.bench)).size > 1 ? [{ head: 'Bench', cell: (run) => run.bench }] : []),
        { head: 'Script', cell: (run) => run.script.split('/').at(-1) },
        { head: 'Steps', number: true, cell: (run) => String(run.steps) },
        { head: 'Ratings', cell: briefs },
        { head: 'Run', cell: (run) => (run.outcome ? outcome(run.outcome) : 'goes on') },
      ],
    });
  }

  #choice(run) {
    return el('input', {
      type: 'checkbox', class: 'choose', 'aria-label': `Choose ${run.amplifier}, ${run.run}, to compare`, checked: this.#chosen.has(run.run), 'data-test': 'choose',
      on: {
        change: (event) => {
          if (event.target.checked) this.#chosen.add(run.run);
          else this.#chosen.delete(run.run);
          this.#offerCompare();
        },
      },
    });
  }

  #offerCompare() {
    const enough = this.#chosen.size >= 2;
    setText(this.#compare, enough ? `Compare ${this.#chosen.size} runs` : 'Choose two or more to compare');
    if (enough) this.#compare.href = compareAddress([...this.#chosen]);
    else this.#compare.removeAttribute('href');
    this.#compare.setAttribute('aria-disabled', String(!enough));
  }
}

/** The ratings of a run in short, a line each. */
function briefs(run) {
  if (!run.ratings.length) return 'none judged';
  return el('ul', { class: 'briefs' }, run.ratings.map((rating) => el('li', {},
    outcome(rating.verdict), ' ', uncertain(rating.measured, rating.expanded_u, rating.unit),
    el('span', { class: 'soft' }, ` of ${rating.rated}\u00a0${rating.unit}, ${rating.load_ohm}\u00a0Ω, ${rating.supply_v}\u00a0V`))));
}
