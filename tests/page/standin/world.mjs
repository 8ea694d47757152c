// The invented bench PC behind the stand-in: benches, queue, runs and events, moved only by whoever tells it to.

import { catalogue } from './catalogue.mjs';
import { ratingBrief, ratingsFile, runBrief, runFile, steps } from './recorded.mjs';

const KEPT = 500;

export class World {
  boot = 'k3x9';
  token = 'open-sesame-invented';
  events = [];
  /** Connections of the event stream: functions that send text. */
  streams = new Set();
  jobs = new Map();
  runs = [];
  stepsDone = new Map();
  ratingsDone = new Map();
  findings = new Map();
  /** What a stop does: `off`, `silent` (asked, never confirmed) or `alarm`. */
  stopDoes = 'off';
  requests = [];
  /** What the catalogue holds; what it is refused with; the place that a read-only view is over. */
  catalogue = catalogue();
  catalogueTrouble = null;
  view = null;
  /** Benches beside the one that everything happens on. */
  others = [];
  #number = 0;
  #jobs = 0;

  constructor() {
    this.bench = {
      bench: 'virtual-bench', name: 'virtual bench', file: '/home/bench/bench.toml', invented: true, guard: 'closed',
      outputs: 'off', latched: null, supply_v: null, supply_a: null, heatsink_c: null, read_utc: null, job: null,
    };
    this.latch = null;
    this.addPast();
  }

  addPast() {
    const older = structuredClone({ ...runBrief(), run: '20261120T201500Z-steady-100', started_utc: '2026-11-20T20:15:00.000Z', ended_utc: '2026-11-20T20:15:19.000Z' });
    older.ratings = older.ratings.map((rating) => ({ ...rating, measured: rating.measured * 0.86 }));
    older.ratings[1].verdict = 'short';
    older.ratings[1].measured = 191.3;
    older.ratings[1].cause = 'sag';
    older.ratings[0].verdict = 'undecided';
    older.ratings[0].measured = 100.1;
    this.runs = [runBrief(), older];
    for (const run of this.runs) {
      this.stepsDone.set(run.run, steps);
      this.ratingsDone.set(run.run, ratingsFile.ratings);
    }
  }

  now() {
    return new Date().toISOString();
  }

  status(mayChange) {
    const jobs = [...this.jobs.values()];
    return { version: '0.1.0', boot: this.boot, last_event: `${this.boot}-${this.#number}`, now_utc: this.now(), may_change: mayChange && !this.view, view: this.view, benches: this.view ? [] : [this.bench, ...this.others], jobs };
  }

  emit(kind, data) {
    const event = { id: `${this.boot}-${++this.#number}`, kind, data: structuredClone(data) };
    this.events = [...this.events, event].slice(-KEPT);
    for (const stream of this.streams) stream(event);
  }

  /** Events after an id, or null if that is no longer known. */
  after(id) {
    const [boot, number] = [id.slice(0, id.lastIndexOf('-')), Number(id.slice(id.lastIndexOf('-') + 1))];
    const oldest = this.events.length ? Number(this.events[0].id.split('-')[1]) : this.#number + 1;
    if (boot !== this.boot || number > this.#number || number < oldest - 1) return null;
    return this.events.filter((event) => Number(event.id.split('-')[1]) > number);
  }

  /** Forgets the events so far, as a daemon that was started anew has. */
  forget() {
    this.events = [];
    this.boot = 'm7p2';
    this.#number = 0;
  }

  setBench(change) {
    Object.assign(this.bench, change);
    this.emit('bench', this.bench);
  }

  addJob(change = {}) {
    const { maker, model } = runFile.nameplate;
    const waiting = [...this.jobs.values()].filter((job) => ['waiting', 'held'].includes(job.state)).length;
    const job = {
      job: ++this.#jobs, bench: this.bench.bench, script: 'rated_power.rhai', amplifier: `${maker} ${model}`, invented: true,
      state: 'waiting', position: waiting + 1, hold: null, submitted_utc: this.now(), started_utc: null, ended_utc: null,
      run: null, doing: null, steps: 0, steps_planned: null, left_s: null, selfcheck: null, outcome: null, error: null,
      without_selfcheck: false, set: {}, ...change,
    };
    this.jobs.set(job.job, job);
    this.emit('job', job);
    return job;
  }

  setJob(number, change) {
    const job = Object.assign(this.jobs.get(number), change);
    this.emit('job', job);
    return job;
  }

  /** Places of the jobs that wait, in an order. */
  reorder(numbers) {
    numbers.forEach((number, at) => this.setJob(number, { position: at + 1 }));
    this.jobs = new Map([...this.jobs].sort(([, a], [, b]) => (a.position ?? 0) - (b.position ?? 0)));
  }

  /** Starts the run of a job; `steps` of it are done at once. */
  begin(number, done = 0) {
    const run = `${this.now().replace(/[-:]|\.\d+/g, '')}-steady-100`;
    this.runs.unshift({ ...runBrief(), run, started_utc: this.now(), ended_utc: null, outcome: null, steps: 0, ratings: [] });
    this.stepsDone.set(run, []);
    this.ratingsDone.set(run, []);
    this.setJob(number, {
      state: 'running', position: null, started_utc: this.now(), run, doing: 'ceiling', steps_planned: 30, left_s: 62,
      selfcheck: '36 ok, 1 not told (heatsink moves)',
    });
    this.setBench({ guard: 'running', outputs: 'live', job: number, supply_v: 14.4, supply_a: 1.931, heatsink_c: 25.0, read_utc: this.now() });
    this.reorder([...this.jobs.values()].filter((job) => ['waiting', 'held'].includes(job.state)).map((job) => job.job));
    for (let at = 0; at < done; at++) this.step(number);
    return run;
  }

  /** The next recorded step of a running job. */
  step(number) {
    const job = this.jobs.get(number);
    const { run } = job;
    const done = this.stepsDone.get(run);
    const step = steps[done.length];
    if (!step) return;
    this.stepsDone.set(run, [...done, step]);
    this.runs.find((one) => one.run === run).steps = done.length + 1;
    this.emit('step', { job: number, bench: job.bench, run, step });
    this.setBench({ supply_v: step.supply_v, supply_a: step.supply_a, heatsink_c: step.heatsink_c, read_utc: this.now() });
    this.setJob(number, { doing: step.purpose, steps: done.length + 1, left_s: (29 - done.length) * 2 });
    const rated = [...ratingsFile.ratings].find((one) => one.above?.step === step.step || (one.below?.step ?? 0) === step.step - 1);
    if (rated && !this.ratingsDone.get(run).includes(rated)) this.rate(number, rated);
  }

  rate(number, rating) {
    const job = this.jobs.get(number);
    this.ratingsDone.set(job.run, [...this.ratingsDone.get(job.run), rating]);
    this.runs.find((one) => one.run === job.run).ratings.push(ratingBrief(rating));
    this.emit('rating', { job: number, bench: job.bench, run: job.run, rating });
  }

  /** A script finds something that is no rating. */
  find(number, finding) {
    const job = this.jobs.get(number);
    this.findings.set(job.run, [...(this.findings.get(job.run) ?? []), finding]);
    this.emit('finding', { job: number, bench: job.bench, run: job.run, finding });
  }

  end(number, outcome, error = null) {
    const job = this.setJob(number, { state: 'ended', ended_utc: this.now(), outcome, error, doing: null, left_s: 0 });
    Object.assign(this.runs.find((one) => one.run === job.run), { ended_utc: this.now(), outcome: outcome === 'stopped' ? 'stopped' : 'finished' });
    this.setBench({ guard: 'closed', outputs: 'off', job: null });
  }

  trip(cause, number = 'Q4T7') {
    this.latch = { cause, at_utc: this.now(), number, may_reset: true, why_not: null };
    const { job } = this.bench;
    if (job !== null) this.end(job, 'failed', cause);
    this.setBench({ guard: 'tripped', outputs: 'off', latched: { cause, at_utc: this.latch.at_utc } });
  }

  stop() {
    const { job } = this.bench;
    if (this.stopDoes === 'off') {
      if (job !== null) this.end(job, 'stopped');
      else this.setBench({ outputs: 'off' });
    } else if (this.stopDoes === 'alarm') {
      this.setBench({ guard: 'alarm', outputs: 'unknown' });
    }
  }
}
