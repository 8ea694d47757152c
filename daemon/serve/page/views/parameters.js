// The fields of a script's parameters: one for each, with its unit, limits and default; what differs from the default is
// set. Of a script of one's own the daemon has not seen the parameters yet: they are typed as name=value.

import { el } from '../dom.js';

/** A box that shows the fields of the script chosen. */
export class Parameters {
  #fields = [];
  #own = el('textarea', { id: 'parameters-own', rows: 2, spellcheck: 'false', 'data-test': 'parameters-own', 'aria-describedby': 'parameters-own-hint' });
  node = el('fieldset', { 'data-test': 'parameters' });

  /** Shows those of a script that the daemon lists; null for a script of one's own. */
  show(parameters) {
    this.#fields = (parameters ?? []).map(fieldOf);
    const inner = parameters
      ? this.#fields.map((field) => field.node)
      : [field(this.#own, 'Parameters to set', 'name=value, one a line; the others keep their defaults')];
    this.node.replaceChildren(el('legend', {}, 'Parameters of the script'), ...inner);
    this.node.hidden = inner.length === 0;
    this.#own.value = '';
  }

  /** What is set, as the daemon takes it, which refuses what makes no sense. */
  value() {
    const typed = this.#own.isConnected ? lines(this.#own) : [];
    return Object.fromEntries([...typed, ...this.#fields.flatMap((one) => one.value())]);
  }
}

function lines(own) {
  const pairs = own.value.split('\n').map((line) => line.trim()).filter((line) => line !== '').map((line) => line.split(/=(.*)/s));
  return pairs.map(([name, value]) => [name.trim(), (value ?? '').trim()]);
}

function field(input, words, hint) {
  return el('div', { class: 'field' }, el('label', { for: input.id }, words), input, el('p', { class: 'soft', id: `${input.id}-hint` }, hint));
}

const NUMERIC = ['number', 'whole', 'numbers', 'wholes'];

function fieldOf(one) {
  const id = `parameter-${one.name}`;
  const common = { id, 'data-test': id, 'aria-describedby': `${id}-hint` };
  const words = one.what ? `${one.what} (${one.name})` : one.name;
  const usual = [one.default].flat().map(String).join(', ');
  if (one.kind === 'flag') {
    const box = el('input', { ...common, type: 'checkbox', checked: one.default });
    return {
      node: el('div', { class: 'check' }, box, el('label', { for: id }, words), el('span', { class: 'soft', id: `${id}-hint` }, `default ${one.default ? 'yes' : 'no'}`)),
      value: () => (box.checked === one.default ? [] : [[one.name, box.checked]]),
    };
  }
  const input = inputOf(one, common);
  const unit = one.unit ? ` ${one.unit}` : '';
  const range = NUMERIC.includes(one.kind) ? `${one.min} to ${one.max}${unit}; ` : '';
  return {
    node: field(input, one.unit ? `${words}, ${one.unit}` : words, `${range}${usual === '' ? 'may be left empty' : `default ${usual}${unit}`}`),
    value: () => (input.value.trim() === input.dataset.usual ? [] : [[one.name, input.value.trim()]]),
  };
}

function inputOf(one, common) {
  const usual = [one.default].flat().map(String).join(', ');
  const more = { ...common, required: true, 'data-usual': usual };
  if (one.kind === 'word') {
    return el('select', more, one.choices.map((word) => el('option', { value: word, selected: word === one.default }, word)));
  }
  if (one.kind === 'text') {
    return el('input', { ...more, required: false, type: 'text', value: usual, maxlength: one.letters_max });
  }
  if (one.kind === 'number' || one.kind === 'whole') {
    const step = one.kind === 'whole' ? 1 : 'any';
    return el('input', { ...more, type: 'number', min: one.min, max: one.max, step, value: usual, inputmode: 'decimal' });
  }
  const input = el('input', { ...more, type: 'text', value: usual, inputmode: 'decimal', spellcheck: 'false' });
  input.addEventListener('input', () => input.setCustomValidity(listFault(one, input.value)));
  return input;
}

/** Why a text is no list of numbers within the limits; empty where it is. */
export function listFault({ kind, min, max, unit }, text) {
  const numbers = text.split(',').map((part) => (part.trim() === '' ? NaN : Number(part)));
  const whole = kind === 'wholes' ? 'whole numbers' : 'numbers';
  if (numbers.some((one) => !Number.isFinite(one) || (kind === 'wholes' && !Number.isInteger(one)))) {
    return `Give ${whole} with commas between them.`;
  }
  const outside = numbers.find((one) => one < min || one > max);
  return outside === undefined ? '' : `${outside} is outside ${min} to ${max}${unit ? ` ${unit}` : ''}.`;
}
