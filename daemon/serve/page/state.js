// What the page knows, as the daemon told it, and who wants to hear of a change.

const ENDED_KEPT = 50;
const LOG_KEPT = 200;
const RUNS_KEPT = 8;
const ORDER = { stopping: 0, running: 0, waiting: 1, held: 1, ended: 2, cancelled: 2 };

export class State {
  benches = new Map();
  jobs = new Map();
  /** Steps, ratings and findings of the runs that go on while this page looks, by run. */
  steps = new Map();
  ratings = new Map();
  findings = new Map();
  log = [];
  version = null;
  mayChange = false;
  /** Of a read-only view: the catalogue that it is over. Then there is no bench, no queue and no run here. */
  view = null;
  /** `connecting`, `live` or `lost`; why it was lost; when anything was heard last (this machine's clock, ms). */
  connection = 'connecting';
  lostWhy = '';
  heardAt = null;
  #listeners = new Set();

  /** Calls `listener(kind, data)` after every change until the returned function is called. */
  subscribe(listener) {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }

  #tell(kind, data) {
    for (const listener of [...this.#listeners]) listener(kind, data);
  }

  /** Everything anew from /status. */
  load(status) {
    this.version = status.version;
    this.mayChange = status.may_change;
    this.view = status.view ?? null;
    this.benches = new Map(status.benches.map((bench) => [bench.bench, bench]));
    this.jobs = new Map(status.jobs.map((job) => [job.job, job]));
    this.#tell('all');
  }

  /** The connection changed. */
  connect(connection, why) {
    if (connection === 'live') this.heardAt = Date.now();
    if (this.connection === connection && this.lostWhy === why) return;
    this.connection = connection;
    this.lostWhy = why;
    this.#tell('connection');
  }

  /** An event of the stream. */
  take(kind, data) {
    this.heardAt = Date.now();
    if (kind === 'bench') this.benches.set(data.bench, data);
    else if (kind === 'job') this.#job(data);
    else if (kind === 'removed') this.jobs.delete(data.job);
    else if (kind === 'step') this.addSteps(data.run, [data.step]);
    else if (kind === 'rating') this.addRatings(data.run, [data.rating]);
    else if (kind === 'finding') this.addFindings(data.run, [data.finding]);
    else if (kind === 'log') this.log = [...this.log, data].slice(-LOG_KEPT);
    this.#tell(kind, data);
  }

  #job(job) {
    this.jobs.set(job.job, job);
    for (const old of this.endedJobs().slice(ENDED_KEPT)) this.jobs.delete(old.job);
  }

  /** Adds steps; one that is known already is replaced, so loading and events may overlap. */
  addSteps(run, steps) {
    const known = this.steps.get(run) ?? new Map();
    for (const step of steps) known.set(step.step, step);
    keep(this.steps, run, known);
  }

  /** Adds ratings; the last of a number counts. */
  addRatings(run, ratings) {
    const known = this.ratings.get(run) ?? new Map();
    for (const rating of ratings) known.set(rating.rating, rating);
    keep(this.ratings, run, known);
  }

  /** Adds findings, each once. */
  addFindings(run, findings) {
    const known = this.findings.get(run) ?? new Map();
    for (const finding of findings) known.set(finding.finding, finding);
    keep(this.findings, run, known);
  }

  /** Says that the above came from elsewhere than an event. */
  loaded(run) {
    this.#tell('loaded', { run });
  }

  lastStep(run) {
    const known = this.steps.get(run);
    return known?.size ? known.get(Math.max(...known.keys())) : null;
  }

  ratingsOf(run) {
    return [...(this.ratings.get(run)?.values() ?? [])].sort((a, b) => a.rating - b.rating);
  }

  findingsOf(run) {
    return [...(this.findings.get(run)?.values() ?? [])].sort((a, b) => a.finding - b.finding);
  }

  /** Jobs that run, then those that wait in their order, then the ended ones, newest first. */
  sortedJobs() {
    return [...this.jobs.values()].sort((a, b) => ORDER[a.state] - ORDER[b.state]
      || (ORDER[a.state] === 2
        ? String(b.ended_utc ?? '').localeCompare(String(a.ended_utc ?? '')) || b.job - a.job
        : (a.position ?? 0) - (b.position ?? 0) || a.job - b.job));
  }

  endedJobs() {
    return this.sortedJobs().filter((job) => ORDER[job.state] === 2);
  }

  queuedJobs(bench) {
    return this.sortedJobs().filter((job) => ORDER[job.state] === 1 && (!bench || job.bench === bench));
  }

  /** The job that runs on a bench, else the one that ended there last, else null. */
  jobOf(bench) {
    return this.jobs.get(bench.job) ?? this.endedJobs().find((job) => job.bench === bench.bench && job.run) ?? null;
  }
}

// A page may stay open for weeks: only the runs that were heard of last are kept.
function keep(map, run, known) {
  map.delete(run);
  map.set(run, known);
  if (map.size > RUNS_KEPT) map.delete(map.keys().next().value);
}
