// A hold: what a job waits for besides its turn, in words and as a form.

import { el } from './dom.js';
import { moment, plain } from './format.js';

/** A hold in words. */
export function holdWords(hold) {
  if (hold.until_utc) return ['until ', moment(hold.until_utc, { withDate: true })];
  if (hold.heatsink_c_max !== undefined) return [`until the heatsink is below ${plain(hold.heatsink_c_max, '°C')}`];
  return ['until a person releases it'];
}

const KINDS = [
  ['none', 'No'], ['until_utc', 'Until a time'], ['heatsink_c_max', 'Until the heatsink is below'],
  ['by_person', 'Until a person releases it'],
];

let count = 0;

/** Fields for a hold. `value()` gives it as the daemon takes it; without `none` one kind must be chosen. */
export function holdFields({ none, legend }) {
  const id = `hold-${++count}`;
  const kind = el('select', { id, 'data-test': 'hold-kind' },
    KINDS.filter(([value]) => none || value !== 'none').map(([value, words]) => el('option', { value }, words)));
  const time = el('input', { type: 'datetime-local', id: `${id}-time`, 'data-test': 'hold-time' });
  const heat = el('input', { type: 'number', id: `${id}-heat`, min: 0, max: 150, step: 0.5, value: 40, inputmode: 'decimal', 'data-test': 'hold-heat' });
  const timeLine = el('div', { class: 'field' }, el('label', { for: time.id }, 'Time here'), time);
  const heatLine = el('div', { class: 'field' }, el('label', { for: heat.id }, 'Heatsink below, °C'), heat);
  const match = () => {
    timeLine.hidden = kind.value !== 'until_utc';
    heatLine.hidden = kind.value !== 'heatsink_c_max';
    time.required = !timeLine.hidden;
    heat.required = !heatLine.hidden;
  };
  kind.addEventListener('change', match);
  match();
  return {
    node: el('div', { class: 'fields' }, el('div', { class: 'field' }, el('label', { for: id }, legend), kind), timeLine, heatLine),
    value: () => ({
      none: () => null,
      until_utc: () => ({ until_utc: new Date(time.value).toISOString() }),
      heatsink_c_max: () => ({ heatsink_c_max: heat.valueAsNumber }),
      by_person: () => ({ by_person: true }),
    })[kind.value](),
  };
}
