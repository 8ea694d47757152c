// Readings: what one step came to, channel by channel, and the list of all steps.

import { el } from './dom.js';
import { quantity, quantityText } from './format.js';
import { table } from './table.js';

/** So many channels fit beside each other on a phone; more scroll in their own box. */
const COLUMNS_FIT = 2;
const CHANNEL = [
  ['out_vrms', 'Output', 'V rms'], ['out_irms', 'Current', 'A rms'], ['active_w', 'Active power', 'W'],
  ['thd_pct', 'THD', '%'], ['thdn_pct', 'THD+N', '%'], ['noise_vrms', 'Noise', 'V rms'], ['gain_db', 'Gain', 'dB'],
  ['dc_v', 'DC', 'V'], ['crest_factor', 'Crest factor', ''], ['flat_top_pct', 'Flat top', '%'],
  ['residue_vrms', 'Residue', 'V rms'],
];

/** A number with its name in steps.csv, so that it can be found again there. */
function named(name, value, unit) {
  const node = unit ? quantity(value, unit) : quantity(value, '', 2);
  node.dataset.name = name;
  return node;
}

/** The operating point of a step in one line. */
export function stepWords(step) {
  return `Step ${step.step} (${step.purpose}): ${quantityText(step.level_vrms, 'V rms')} at the source, `
    + `${step.hz}\u00a0Hz, ${step.load_ohm}\u00a0Ω, supply set to ${step.supply_v_set}\u00a0V`;
}

/** The readings of one step: a row for each quantity, a column for each channel. */
export function stepTable(step, test = 'last-step') {
  const columns = step.channels.map((channel) => ({
    head: `Channel\u00a0${channel.channel}${channel.driven ? '' : ' (not driven)'}`,
    number: true,
    cell: ([name, , unit]) => named(name, channel[name], unit),
  }));
  const flags = step.channels.filter((channel) => channel.flags);
  return el('div', { 'data-step': step.step },
    table({
      caption: `Readings of step ${step.step}`, hideCaption: true, compact: true, wide: step.channels.length > COLUMNS_FIT, test, rows: CHANNEL,
      columns: [{ head: 'Reading', row: true, cell: ([, words]) => words }, ...columns],
    }),
    flags.map((channel) => el('p', { class: 'flag' }, `Channel ${channel.channel}: ${channel.flags.replaceAll('_', ' ')}`)));
}

/** All steps of a run, a line each; the worst driven channel stands for the step. */
export function stepsTable(steps) {
  const of = (name, unit) => (step) => named(name, worst(step)?.[name], unit);
  return table({
    caption: 'Every step, by its driven channel with the highest THD+N', test: 'steps', wide: true,
    rows: steps.map((step) => ({ ...step, key: step.step })),
    columns: [
      { head: 'Step', row: true, number: true, cell: (step) => String(step.step) },
      { head: 'Purpose', cell: (step) => step.purpose },
      { head: 'Level', number: true, cell: (step) => named('level_vrms', step.level_vrms, 'V rms') },
      { head: 'Frequency', number: true, cell: (step) => named('hz', step.hz, 'Hz') },
      { head: 'Load', number: true, cell: (step) => named('load_ohm', step.load_ohm, 'Ω') },
      { head: 'Supply', number: true, cell: (step) => named('supply_v', step.supply_v, 'V') },
      { head: 'Power', number: true, cell: of('active_w', 'W') },
      { head: 'THD+N', number: true, cell: of('thdn_pct', '%') },
      { head: 'THD', number: true, cell: of('thd_pct', '%') },
      { head: 'Efficiency', number: true, cell: (step) => named('efficiency_pct', step.efficiency_pct, '%') },
      { head: 'Heatsink', number: true, cell: (step) => named('heatsink_c', step.heatsink_c, '°C') },
    ],
  });
}

/** The driven channel with the highest THD+N, which is the one that limits. */
export function worst(step) {
  const driven = step.channels.filter((channel) => channel.driven);
  return driven.reduce((found, one) => ((one.thdn_pct ?? -1) > (found?.thdn_pct ?? -1) ? one : found), driven[0]);
}
