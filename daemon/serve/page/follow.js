// Keeps the state in step with the daemon: everything once from /status, then event by event, and everything again
// after a gap.

import { get } from './api.js';
import { Stream } from './stream.js';

const RETRY_MS = 1000;

export class Follow {
  #state;
  /** Events that came while /status was being read: they may be newer than it, so they are taken once more after it. */
  #since = null;
  /** Events were missed and not everything was read again yet. */
  #behind = false;

  constructor(state) {
    this.#state = state;
  }

  /** Everything anew. */
  async reload() {
    this.#since ??= [];
    try {
      const status = await get(['status']);
      this.#state.load(status);
      for (const [kind, data] of this.#since) this.#state.take(kind, data);
      return status;
    } finally {
      this.#since = null;
    }
  }

  /** Says that the daemon can't be heard. */
  lost = (problem) => this.#state.connect('lost', problem.detail ?? problem.message);

  /** Runs for as long as the page does. */
  async run() {
    const status = await this.#reloadAtLast();
    new Stream('/api/v1/events', status.last_event, {
      onConnection: (connection, why) => this.#connection(connection, why),
      onEvent: (kind, data) => this.#event(kind, data),
    }).run();
  }

  async #reloadAtLast() {
    for (;;) {
      try {
        return await this.reload();
      } catch (problem) {
        this.lost(problem);
        await new Promise((done) => setTimeout(done, RETRY_MS));
      }
    }
  }

  // After a gap nothing known may look as if it held, however lively the stream is.
  #connection(connection, why) {
    if (connection === 'live' && this.#behind) return;
    this.#state.connect(connection, why);
  }

  #event(kind, data) {
    if (kind === 'gap') {
      this.#catchUp();
      return;
    }
    this.#since?.push([kind, data]);
    this.#state.take(kind, data);
  }

  async #catchUp() {
    if (this.#behind) return;
    this.#behind = true;
    this.#state.connect('lost', 'events were missed; everything is being read again');
    await this.#reloadAtLast();
    this.#behind = false;
    this.#state.connect('live', '');
    this.#state.take('reloaded', null);
  }
}
