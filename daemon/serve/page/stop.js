// STOP: asks at once, without a question back, and says what became of it until it is known.

import { post } from './api.js';

/** Longer than an OFF may take on a slow line with its repetitions; after it, a person must act. */
const CONFIRM_MS = 3000;
/** Two presses of Escape within so long stop every bench. */
const TWICE_MS = 1000;

export const BY_HAND = 'Go to the bench and cut the power by hand.';

/** Whether what a bench says means that its outputs are confirmed off. */
export function offConfirmed(bench) {
  return bench.outputs === 'off' && ['closed', 'safe', 'tripped'].includes(bench.guard);
}

export class Stops {
  #state;
  #tell;
  /** By bench: `{phase: 'asking' | 'asked' | 'off' | 'not_confirmed', at, words}`. */
  of = new Map();
  #attempt = new Map();

  /** `tell()` is called after every change. */
  constructor(state, tell) {
    this.#state = state;
    this.#tell = tell;
    state.subscribe((kind, data) => this.#heard(kind, data));
  }

  /** Stops one bench. */
  stop(bench) {
    return this.#ask([bench], async () => [await post(['benches', bench, 'stop'])]);
  }

  /** Stops all of them by one request: a browser keeps back all but a few at a time. */
  stopAll() {
    // A view has nothing to stop and says so; the request would only be refused.
    if (this.#state.view) return null;
    const benches = [...this.#state.benches.keys()];
    if (benches.length === 1) return this.stop(benches[0]);
    return this.#ask(benches, async () => (await post(['stop'])).benches);
  }

  async #ask(benches, ask) {
    const asked = benches.map((bench) => {
      const attempt = (this.#attempt.get(bench) ?? 0) + 1;
      this.#attempt.set(bench, attempt);
      const heard = { off: false };
      this.#set(bench, 'asking', 'STOP is being sent.', heard);
      setTimeout(() => this.#late(bench, attempt), CONFIRM_MS);
      return { bench, attempt, heard };
    });
    const still = asked.filter.bind(asked, ({ bench, attempt }) => this.#attempt.get(bench) === attempt);
    try {
      const answers = new Map((await ask()).map((answer) => [answer.bench, answer]));
      for (const { bench, heard } of still()) this.#answered(bench, answers.get(bench), heard);
    } catch (problem) {
      for (const { bench } of still()) this.#failed(bench, problem);
    }
  }

  #answered(bench, answer, heard) {
    const { phase } = this.of.get(bench);
    if (heard.off || (answer && offConfirmed(answer))) this.#off(bench);
    else if (phase === 'asking') this.#set(bench, 'asked', 'STOP was asked. Waiting for off to be confirmed.', heard);
  }

  #set(bench, phase, words, heard) {
    this.of.set(bench, { phase, words, heard, at: new Date().toISOString() });
    this.#tell();
  }

  #off(bench) {
    this.#set(bench, 'off', 'Stopped: outputs confirmed off.');
  }

  #failed(bench, problem) {
    const words = `STOP did not reach the bench: ${problem.detail} ${problem.next}`.trim();
    this.#set(bench, 'not_confirmed', `${words} ${BY_HAND}`);
  }

  #late(bench, attempt) {
    const current = this.of.get(bench);
    if (this.#attempt.get(bench) !== attempt || !['asking', 'asked'].includes(current?.phase)) return;
    this.#set(bench, 'not_confirmed', `Off is NOT confirmed after ${CONFIRM_MS / 1000} s. ${BY_HAND}`, current.heard);
  }

  #heard(kind, data) {
    if (kind === 'connection' && this.#state.connection === 'lost') this.#lost();
    const benches = kind === 'bench' ? [data] : kind === 'all' ? [...this.#state.benches.values()] : [];
    for (const bench of benches) this.#bench(bench);
  }

  #lost() {
    for (const [bench, stop] of this.of) {
      if (['asking', 'asked'].includes(stop.phase)) {
        this.#set(bench, 'not_confirmed', `Connection lost before off was confirmed. ${BY_HAND}`);
      }
    }
  }

  #bench(bench) {
    const stop = this.of.get(bench.bench);
    if (!stop) return;
    // While the answer is still out, the last that was heard counts when it comes.
    if (stop.phase === 'asking') stop.heard.off = offConfirmed(bench);
    if (offConfirmed(bench)) {
      if (!['asking', 'off'].includes(stop.phase)) this.#off(bench.bench);
    } else if (bench.guard === 'alarm' && stop.phase === 'asked') {
      this.#set(bench.bench, 'not_confirmed', `Off is NOT confirmed. ${BY_HAND}`);
    } else if (stop.phase === 'off' && bench.outputs !== 'off') {
      // Another run began: what was said of the last stop is over.
      this.of.delete(bench.bench);
      this.#tell();
    }
  }
}

/** Escape twice within a second stops every bench, wherever the focus is. */
export function listenForEscape(stops) {
  let before = -Infinity;
  addEventListener('keydown', (event) => {
    if (event.key !== 'Escape' || event.repeat) return;
    if (event.timeStamp - before <= TWICE_MS) {
      before = -Infinity;
      stops.stopAll();
    } else {
      before = event.timeStamp;
    }
  }, { capture: true });
}
