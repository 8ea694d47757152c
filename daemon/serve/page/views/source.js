// A script or a nameplate: one of the daemon's, or a text of one's own, typed or from a file.

import { el, setText } from '../dom.js';

const OWN = '\u0000own';
/** The daemon takes no larger file. */
const BYTES_MAX = 1 << 20;

export class Source {
  #offered = new Map();
  #choice;
  #more = el('p', { class: 'soft' });
  #name;
  #text;
  #file;
  #own;
  #chosen;
  node;

  /** `chosen` is told the name of what is chosen, null for a text of one's own. */
  constructor({ id, label, own, accept, chosen = () => {} }) {
    this.#chosen = chosen;
    this.#choice = el('select', { id: `${id}-choice`, 'data-test': `${id}-choice`, on: { change: () => this.#match() } });
    this.#name = el('input', { id: `${id}-name`, value: own, 'data-test': `${id}-name`, spellcheck: 'false' });
    this.#text = el('textarea', { id: `${id}-text`, rows: 8, spellcheck: 'false', 'data-test': `${id}-text` });
    this.#file = el('input', { type: 'file', id: `${id}-file`, accept, on: { change: () => this.#read() } });
    const field = (input, words) => el('div', { class: 'field' }, el('label', { for: input.id }, words), input);
    this.#own = el('fieldset', { class: 'own' }, el('legend', {}, `${label} of my own`),
      field(this.#file, 'From a file'), field(this.#name, 'Name'), field(this.#text, 'Text'));
    this.node = el('div', { class: 'fields' }, field(this.#choice, label), this.#more, this.#own);
    this.offer([]);
  }

  /** Offers what the daemon has: `{name, words, more}`. */
  offer(list) {
    this.#offered = new Map(list.map((one) => [one.name, one]));
    this.#choice.replaceChildren(
      ...list.map((one) => el('option', { value: one.name }, one.words)), el('option', { value: OWN }, 'A text of my own'));
    this.#match();
  }

  #match() {
    const own = this.#choice.value === OWN;
    this.#own.hidden = !own;
    this.#text.required = own;
    this.#name.required = own;
    const more = this.#offered.get(this.#choice.value)?.more ?? '';
    setText(this.#more, more);
    this.#more.hidden = more === '';
    this.#chosen(own ? null : this.#choice.value);
  }

  async #read() {
    const [file] = this.#file.files;
    if (!file) return;
    this.#file.setCustomValidity(file.size > BYTES_MAX ? 'Larger than 1 MiB, which the daemon does not take.' : '');
    if (!this.#file.reportValidity()) return;
    this.#name.value = file.name;
    this.#text.value = await file.text();
  }

  /** As the daemon takes it. */
  value() {
    if (this.#choice.value !== OWN) return { name: this.#choice.value };
    return { name: this.#name.value.trim(), text: this.#text.value };
  }
}
