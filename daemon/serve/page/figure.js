// A figure of the daemon's: fetched as SVG and shown as an image, in which no script can run.
//
// A data address keeps the figure that is shown until the next one is there, and lets its own title and description
// be read for those who don't see it. At most one request is out, and at most one a second is sent.

import { el } from './dom.js';
import { send, address } from './api.js';

const PAUSE_MS = 1000;
/** Widths in px that figures are asked for, so that their words stay readable on a phone. */
const WIDTHS = [360, 720, 1080];

export class Figure {
  #caption;
  #image;
  #note;
  #link;
  #ask = null;
  #busy = false;
  #wanted = false;
  node;

  /** `name` is a hook for tests; `title` is the caption and the image's text until it has its own. */
  constructor(name, title) {
    this.#image = el('img', {
      alt: '', hidden: true, 'data-test': `figure-${name}-image`,
      on: { error: () => this.#say('The daemon sent no picture here. Load the page again.') },
    });
    this.#note = el('p', { class: 'figure-note', role: 'status' }, 'Nothing drawn yet.');
    this.#link = el('a', { hidden: true, target: '_blank', rel: 'noopener' }, 'Full size', el('span', { class: 'unseen' }, ` of: ${title}`));
    this.#caption = el('span', {}, title);
    this.node = el('figure', { class: 'figure', 'data-test': `figure-${name}` },
      el('figcaption', {}, this.#caption, ' ', this.#link), this.#image, this.#note);
  }

  /** Draws what these path segments and this query give, now and whenever asked again; the caption changes with it. */
  show(segments, query = {}, caption = this.#caption.textContent) {
    this.#ask = { segments, query, caption };
    this.refresh();
  }

  /** Asks again, as soon as the pause is over. */
  async refresh() {
    this.#wanted = true;
    if (this.#busy) return;
    this.#busy = true;
    while (this.#wanted) {
      this.#wanted = false;
      await this.#load(this.#ask);
      await new Promise((done) => setTimeout(done, PAUSE_MS));
    }
    this.#busy = false;
  }

  async #load(ask) {
    const { segments, query, caption } = ask;
    // A view is put into the page right after it is made; only then is there a width to look at.
    await new Promise((done) => setTimeout(done));
    const room = this.node.clientWidth || WIDTHS[1];
    const width = WIDTHS.reduce((found, one) => (Math.abs(one - room) < Math.abs(found - room) ? one : found));
    const url = address(segments, { ...query, width });
    try {
      const text = await (await send(url)).text();
      if (this.#ask === ask) this.#draw(text, url, caption);
    } catch (problem) {
      this.#say(`${problem.detail ?? problem.message} ${problem.next ?? ''}`.trim());
    }
  }

  #draw(text, url, caption) {
    this.#caption.textContent = caption;
    this.#image.alt = ['title', 'desc'].map((name) => words(text, name)).filter(Boolean).join('. ') || caption;
    // A figure that knows no dark page gets white paper under it.
    this.#image.classList.toggle('paper', !text.includes('prefers-color-scheme'));
    this.#image.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(text)}`;
    this.#image.hidden = false;
    this.#link.href = url;
    this.#link.hidden = false;
    this.#link.lastChild.textContent = ` of: ${caption}`;
    this.#say('');
  }

  #say(text) {
    this.#note.textContent = text;
    this.#note.hidden = text === '';
  }
}

/** The title or description of a figure. Only that line is parsed: parsing all would trip over its styles. */
function words(text, name) {
  const found = new RegExp(`<${name}\\b[^>]*>([^<]*)</${name}>`).exec(text);
  if (!found) return '';
  const parsed = new DOMParser().parseFromString(`<words>${found[1]}</words>`, 'application/xml').documentElement;
  return parsed.localName === 'words' ? parsed.textContent.trim() : '';
}
