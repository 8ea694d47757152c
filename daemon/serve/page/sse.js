// Reads an event stream: text in, in any pieces, events out. Knows no network, so it can be tested by itself.
//
// The rules are those of the HTML standard, "Interpreting an event stream".

export class EventReader {
  #rest = '';
  #lines = [];
  /** The id of the last event that had one. */
  lastId;

  constructor(lastId = '') {
    this.lastId = lastId;
  }

  /** Takes a piece of text; gives the events that it completes. */
  take(text) {
    this.#rest += text;
    const events = [];
    for (;;) {
      const end = /\r\n|\n|\r(?!$)/.exec(this.#rest);
      if (!end) return events;
      const line = this.#rest.slice(0, end.index);
      this.#rest = this.#rest.slice(end.index + end[0].length);
      if (line !== '') this.#lines.push(line);
      else if (this.#lines.length) this.#finish(events);
    }
  }

  #finish(events) {
    let kind = 'message';
    const data = [];
    for (const line of this.#lines) {
      const [, field, value = ''] = /^([^:]*)(?:: ?(.*))?$/s.exec(line);
      if (field === 'event') kind = value;
      else if (field === 'data') data.push(value);
      else if (field === 'id' && !value.includes('\0')) this.lastId = value;
    }
    this.#lines = [];
    if (data.length) events.push({ kind, data: data.join('\n'), id: this.lastId });
  }
}
