// One bench now: latched trip, instruments, the run with its progress, ratings so far, figures, the last step.

import { el, redraw, setText } from '../dom.js';
import { get } from '../api.js';
import { duration, known, moment, quantity } from '../format.js';
import { Latch } from '../latch.js';
import { ageNote } from '../lost.js';
import { findingsTable } from '../findings.js';
import { outcome, ratingsTable } from '../ratings.js';
import { stepTable, stepWords } from '../readings.js';
import { runAddress } from '../route.js';
import { facts } from '../table.js';
import { problemBox } from '../problem.js';
import { OUTPUTS } from '../words.js';
import { RunFigures } from './run_figures.js';

/** Readings older than so long are greyed and marked as old. */
const OLD_MS = 5000;

export class BenchNow {
  #state;
  #latch;
  #parts = {};
  #figures = new RunFigures();
  /** The run whose steps were asked for. */
  #run = null;
  /** The column beside the run's figures, hidden while there is no run; there is room for more at its end. */
  side;
  node;

  constructor(state, bench) {
    this.#state = state;
    this.#latch = new Latch(state, bench.bench);
    const part = (name, ...children) => (this.#parts[name] = el('div', { 'data-test': name }, ...children));
    const panel = (title, ...children) => el('section', { class: 'panel' }, el('h2', {}, title), ageNote(), ...children);
    this.node = el('section', { class: 'bench', 'data-test': `bench-${bench.bench}`, 'aria-label': bench.name },
      this.#latch.node,
      el('div', { class: 'columns' }, part('work'), panel(bench.name, part('instruments'))),
      this.#parts.results = el('div', { class: 'columns', hidden: true },
        el('div', { class: 'column' }, this.#parts.ratingsPanel = panel('Ratings', part('ratings')),
          this.#parts.findingsPanel = panel('Findings', part('findings')), this.#figures.whole),
        this.side = el('div', { class: 'column' }, this.#parts.stepPanel = panel('Last step', part('step')))),
      this.#parts.figures = el('div', { class: 'figures', hidden: true }, ageNote(), this.#figures.capture));
    this.#parts.stepPanel.hidden = true;
    this.#parts.findingsPanel.hidden = true;
  }

  update(bench, kind, data) {
    const job = this.#state.jobOf(bench);
    this.#latch.update(bench);
    this.#instruments(bench);
    this.#work(bench, job);
    this.#follow(job, kind, data);
  }

  #instruments(bench) {
    const old = bench.read_utc !== null && Date.now() - Date.parse(bench.read_utc) > OLD_MS;
    redraw(this.#parts.instruments, [bench, this.#state.connection, old], () => {
      this.#parts.instruments.classList.toggle('old', old);
      return [
        facts([
          ['Outputs', this.#state.connection === 'live' ? OUTPUTS[bench.outputs] ?? bench.outputs : OUTPUTS.unknown, 'outputs'],
          ...(bench.read_utc === null ? [['Readings', 'none yet']] : [
            ['Supply', quantity(bench.supply_v, 'V'), 'supply_v'],
            ['Supply current', quantity(bench.supply_a, 'A'), 'supply_a'],
            ['Heatsink', quantity(bench.heatsink_c, '°C'), 'heatsink_c'],
            ['Read at', el('span', {}, moment(bench.read_utc), old ? ', old' : ''), 'read_utc'],
          ]),
          ['Bench file', el('span', { class: 'file' }, bench.file)],
        ]),
        bench.lost ? el('p', { class: 'problem', 'data-test': 'bench-lost' }, `Could not be opened: ${bench.lost}`) : null,
        bench.invented ? el('p', { class: 'soft' }, 'Simulated bench; its amplifier is invented.') : null,
      ];
    });
  }

  #work(bench, job) {
    const running = job !== null && job.job === bench.job;
    redraw(this.#parts.work, [bench.job, job], () => {
      if (!job) return el('section', { class: 'panel idle' }, el('h2', {}, 'No run'), ageNote(),
        el('p', {}, 'Nothing runs on this bench. ', el('a', { href: '#/queue' }, 'Put something in the queue'), ' or look at ', el('a', { href: '#/runs' }, 'past runs'), '.'));
      return el('section', { class: 'panel run' },
        el('h2', { class: 'run-name' }, job.amplifier, job.invented ? el('span', { class: 'tag' }, 'invented') : null),
        ageNote(),
        el('p', { class: 'run-doing', 'data-test': 'doing' }, running ? doing(job) : ended(job)),
        job.steps_planned || running ? progress(job, running) : null,
        job.error ? el('p', { class: 'problem', 'data-test': 'job-error' }, job.error) : null,
        facts([
          ['Script', job.script],
          ['Started', job.started_utc ? moment(job.started_utc) : null],
          ['Self-check', job.without_selfcheck ? 'left out' : job.selfcheck],
          ['Run', job.run ? el('a', { href: runAddress(job.run), class: 'file' }, job.run) : null],
        ], { class: 'facts run-facts' }));
    });
  }

  #follow(job, kind, data) {
    const run = job?.run ?? null;
    this.#parts.results.hidden = run === null;
    this.#parts.figures.hidden = run === null;
    setText(this.#parts.ratingsPanel.firstChild, job?.ended_utc ? 'Ratings' : 'Ratings so far');
    if (run === null) this.#parts.stepPanel.hidden = true;
    if (run === null) return;
    if (run !== this.#run || kind === 'reloaded') {
      this.#run = run;
      this.#load(run);
      this.#figures.show(run);
    }
    if (kind === 'step' && data.run === run) this.#figures.show(run, data.step.step);
    this.#results(run);
  }

  async #load(run) {
    try {
      const [{ steps }, whole] = await Promise.all([get(['runs', run, 'steps']), get(['runs', run])]);
      this.#state.addSteps(run, steps);
      this.#state.addRatings(run, whole.ratings_file?.ratings ?? []);
      this.#state.addFindings(run, whole.findings ?? []);
      this.#state.loaded(run);
    } catch (problem) {
      this.#parts.ratings.replaceChildren(problemBox(problem));
    }
  }

  #results(run) {
    const ratings = this.#state.ratingsOf(run);
    redraw(this.#parts.ratings, [run, ratings], () => ratingsTable(ratings, {
      caption: 'Ratings so far', empty: 'No rating is judged yet.', test: 'ratings-so-far',
    }));
    const findings = this.#state.findingsOf(run);
    this.#parts.findingsPanel.hidden = findings.length === 0;
    redraw(this.#parts.findings, [run, findings], () => findingsTable(findings, { caption: 'Findings so far', test: 'findings-so-far' }));
    const step = this.#state.lastStep(run);
    this.#parts.stepPanel.hidden = !step;
    if (step) {
      redraw(this.#parts.step, step, () => [el('p', { class: 'soft' }, `${stepWords(step)}.`), stepTable(step)]);
    }
  }
}

function doing(job) {
  const words = job.state === 'stopping' ? 'Stopping' : job.doing ? job.doing.replaceAll('_', ' ') : 'Starting';
  const of = job.steps_planned ? ` of ${job.steps_planned}` : '';
  return [
    el('strong', { class: 'doing' }, words), `, step ${job.steps}${of}`,
    known(job.left_s) ? `, about ${duration(job.left_s)} left` : '',
  ];
}

function ended(job) {
  return ['Ended ', moment(job.ended_utc), ': ', outcome(job.outcome ?? job.state)];
}

function progress(job, running) {
  // A bar without a value tells that nobody knows yet.
  const value = running && !job.steps_planned ? null : job.steps;
  return el('progress', { max: job.steps_planned ?? 1, value, 'aria-label': 'Steps done', 'data-test': 'progress' });
}
