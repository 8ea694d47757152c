// Ratings: what is claimed, what was measured with its uncertainty, the verdict, and why it stops there.

import { el } from './dom.js';
import { plain, quantity, quantityText, uncertain } from './format.js';
import { table } from './table.js';
import { causeWords, conditions, outcomeWords } from './words.js';

/** A verdict or an outcome: sign, word and tone. */
export function outcome(name) {
  const { sign, word, tone } = outcomeWords(name);
  return el('span', { class: 'outcome', 'data-tone': tone, 'data-outcome': name },
    sign ? el('span', { 'aria-hidden': 'true' }, `${sign} `) : null, word);
}

function rated(record) {
  return record.volts ? plain(record.volts.rated_vrms, 'V rms') : plain(record.rated_w, 'W');
}

function measured(record) {
  const { volts } = record;
  if (volts) return uncertain(volts.measured_vrms, volts.expanded_u_vrms, 'V rms');
  return uncertain(record.measured_w, record.expanded_u_w, 'W');
}

/** The table of ratings as they are judged while a run goes on, or of a run that is over. */
export function ratingsTable(records, { caption, empty, test = 'ratings' }) {
  return table({
    caption, empty, test, hideCaption: true,
    rows: records.map((record) => ({ ...record, key: record.rating })),
    columns: [
      { head: 'Rating', row: true, cell: (one) => String(one.rating) },
      { head: 'Rated', number: true, cell: rated },
      { head: 'Measured ± U', number: true, cell: measured, test: 'measured' },
      { head: 'Verdict', cell: (one) => outcome(one.verdict), test: 'verdict' },
      { head: 'Ceiling cause', cell: (one) => causeWords(one.cause) },
      { head: 'Conditions', cell: conditions },
    ],
  });
}

/** One rating with its reasons: verdict in words, evidence, bracket, notes, budget. */
export function ratingStory(record) {
  return el('section', { class: 'story', 'data-test': `story-${record.rating}` },
    el('h3', {}, `Rating ${record.rating}: `, rated(record), ` at ${conditions(record)}`),
    el('p', {}, outcome(record.verdict), ': ', record.verdict_words.replace(`${record.verdict}: `, ''), '.'),
    el('p', {}, 'It stops there by ', el('strong', {}, causeWords(record.cause)), ':'),
    el('ul', {}, record.evidence.map((fact) => el('li', {}, fact))),
    bracket(record),
    record.notes.length ? el('ul', { class: 'notes' }, record.notes.map((note) => el('li', {}, note))) : null,
    budget(record));
}

function bracket(record) {
  const side = (name, one) => (one ? `${name} it step ${one.step ?? '–'} with `
    + `${one.power_w === null ? '' : `${quantityText(one.power_w, 'W')} and `}${quantityText(one.distortion_pct, '%')}` : null);
  const sides = [side('below', record.below), side('above', record.above)].filter(Boolean).join(', ');
  const spent = record.joules === null ? '' : `; ${quantityText(record.seconds_at_power, 's')} at power, ${Math.round(record.joules)}\u00a0J into the loads`;
  return el('p', { class: 'soft' }, `Found between captures: ${sides}. ${record.captures} captures${spent}.`);
}

function budget(record) {
  if (!record.budget.length) return null;
  const unit = record.volts ? 'V' : 'W';
  const shares = [...record.budget].sort((a, b) => b.share_pct - a.share_pct);
  return el('details', {}, el('summary', {}, `Uncertainty budget (k = ${record.coverage_factor.toFixed(2)}, ${record.coverage_pct.toFixed(1)} %)`),
    table({
      caption: `Uncertainty budget of rating ${record.rating}`, hideCaption: true, test: `budget-${record.rating}`,
      rows: shares,
      columns: [
        { head: 'Contribution', row: true, cell: (one) => one.name },
        { head: 'Stated', number: true, cell: (one) => plain(one.stated, one.unit) },
        { head: 'Kind', cell: (one) => `${one.kind}, ${one.distribution}` },
        { head: `u`, number: true, cell: (one) => quantity(one.u_w, unit) },
        { head: 'Share', number: true, cell: (one) => quantity(one.share_pct, '%', 1) },
        { head: 'Source', cell: (one) => one.source },
      ],
    }));
}
