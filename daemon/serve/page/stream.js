// Keeps the event stream of the daemon open, and notices at once when it is not.
//
// `live` is claimed only after something was heard on the stream that is open now. The browser's own EventSource is
// not used: it hides for how long nothing was heard, and when it gives up.

import { headers } from './api.js';
import { EventReader } from './sse.js';

/** The daemon sends a beat every 2 s. Nothing for so long counts as lost. */
const SILENCE_MS = 5000;
const RETRY_MS = 1000;
const LOOK_MS = 250;

export class Stream {
  #url;
  #reader;
  #onEvent;
  #onConnection;
  #heard = null;
  #abort = null;

  /** `onEvent(kind, data)`; `onConnection('live' | 'lost', why)`. */
  constructor(url, lastId, { onEvent, onConnection }) {
    this.#url = url;
    this.#reader = new EventReader(lastId);
    this.#onEvent = onEvent;
    this.#onConnection = onConnection;
  }

  /** Runs for as long as the page does. */
  async run() {
    setInterval(() => this.#look(), LOOK_MS);
    for (;;) {
      const why = await this.#listen().catch((error) => error.message);
      this.#onConnection('lost', why);
      await new Promise((done) => setTimeout(done, RETRY_MS));
    }
  }

  // Wall clock, not a monotonic one: that of a machine that slept may have stood still.
  #look() {
    if (this.#heard !== null && Math.abs(Date.now() - this.#heard) > SILENCE_MS) {
      this.#abort?.abort(new Error(`nothing was heard for ${SILENCE_MS / 1000} s`));
    }
  }

  async #listen() {
    this.#abort = new AbortController();
    this.#heard = Date.now();
    const last = this.#reader.lastId ? { 'Last-Event-ID': this.#reader.lastId } : {};
    // Beyond the bench PC listening needs the token as well.
    const response = await fetch(this.#url, { headers: headers(last), cache: 'no-store', signal: this.#abort.signal });
    if (!response.ok) throw new Error(`the daemon answered ${response.status}`);
    // What a broken connection left half said must not be joined to what a new one says.
    this.#reader = new EventReader(this.#reader.lastId);
    const pieces = response.body.pipeThrough(new TextDecoderStream()).getReader();
    for (;;) {
      const { done, value } = await pieces.read();
      if (done) return 'the daemon ended the stream';
      this.#heard = Date.now();
      for (const event of this.#reader.take(value)) this.#pass(event);
    }
  }

  #pass({ kind, data }) {
    this.#onConnection('live', '');
    let parsed;
    try {
      parsed = JSON.parse(data);
    } catch (error) {
      this.#onEvent('unreadable', { kind, why: error.message });
      return;
    }
    this.#onEvent(kind, parsed);
  }
}
