// Picks the step and the channel whose waveform and spectrum are drawn.

import { el } from '../dom.js';
import { quantityText } from '../format.js';
import { worst } from '../readings.js';

const WORST = '';

export function stepChoice(run, steps, figures) {
  const words = (step) => {
    const channel = worst(step);
    return `${step.step}: ${step.purpose}, ${quantityText(channel?.active_w, 'W')}, ${quantityText(channel?.thdn_pct, '%')} THD+N`;
  };
  const last = steps.at(-1);
  const step = el('select', { id: 'step-choice', 'data-test': 'step-choice' },
    steps.map((one) => el('option', { value: one.step, selected: one === last }, words(one))));
  const channels = [...new Set(steps.flatMap((one) => one.channels.map((channel) => channel.channel)))];
  const channel = el('select', { id: 'channel-choice', 'data-test': 'channel-choice' },
    el('option', { value: WORST }, 'the worst'), channels.map((one) => el('option', { value: one }, String(one))));
  const show = () => figures.showStep(run, Number(step.value), channel.value === WORST ? null : Number(channel.value));
  step.addEventListener('change', show);
  channel.addEventListener('change', show);
  return el('div', { class: 'line' },
    el('div', { class: 'field' }, el('label', { for: step.id }, 'Step of waveform and spectrum'), step),
    el('div', { class: 'field' }, el('label', { for: channel.id }, 'Channel'), channel));
}
