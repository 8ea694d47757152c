// The stand-in's answers, path by path. Like the daemon it refuses what changes anything without the token.

import { figure } from './drawn.mjs';
import { entryOf, found, unitRuns } from './catalogue.mjs';
import { files, ratingsFile, runFile } from './recorded.mjs';

export class Refusal extends Error {
  constructor(status, title, detail, next) {
    super(detail);
    this.body = { type: 'about:blank', title, status, detail, next };
  }
}

const json = (body, status = 200) => ({ status, type: 'application/json', body: JSON.stringify(body) });
const svg = (body) => ({ status: 200, type: 'image/svg+xml', body });

function runOf(world, name) {
  const run = world.runs.find((one) => one.run === name);
  if (!run) throw new Refusal(404, 'No such run', `There is no run ${name}.`, 'See the list of runs.');
  return run;
}

function jobOf(world, text) {
  const job = world.jobs.get(Number(text));
  if (!job) throw new Refusal(404, 'No such job', `There is no job ${text}.`, 'Load the queue again.');
  return job;
}

const MAINS = 'mains frequency – A: 50 Hz; B: 60 Hz (hum falls on other frequencies)';

function compare(world, query) {
  const runs = query.getAll('run').map((name) => runOf(world, name));
  const incomparable = world.incomparable ? [MAINS] : [];
  if (incomparable.length && query.get('incomparable') !== 'true') {
    const refused = new Refusal(409, 'Conflict', 'these runs are not comparable', 'choose others, or ask with incomparable=true');
    refused.body.reasons = incomparable;
    throw refused;
  }
  const difference = (at, by) => (at ? { with: 0, by, expanded_u: 0.6, significant: Math.abs(by) > 0.6 } : null);
  const rows = ratingsFile.ratings.map(({ load_ohm, supply_v, hz, limit_pct, limit_by, driven }, at) => ({
    load_ohm, supply_v, hz, limit_pct, limit_by, driven,
    cells: runs.map((run) => run.ratings[at] ?? null),
    differences: runs.map((_, column) => difference(column, at ? -3.5 : 0.1)),
  }));
  const cell = (run, value, note = '') => ({ run: run.run, value, expanded_u: value === null ? null : 0.5, verdict: null, at: '', note });
  const bare = { load_ohm: null, supply_v: null, hz: null, limit_pct: null, limit_by: null, driven: null, channel: null, at: '' };
  const quantities = [
    { ...bare, quantity: 'clean power by the curve', told_by: 'curve', unit: 'W', load_ohm: 4, supply_v: 14.4, hz: 1000, limit_pct: 10, limit_by: 'thdn', driven: 'all',
      cells: runs.map((run, at) => (at ? cell(run, null, 'the curve ends at 1.074 %, before that limit') : cell(run, 131.2))), differences: runs.map(() => null) },
    { ...bare, quantity: 'gain', told_by: 'finding', unit: 'dB', channel: 1,
      cells: runs.map((run) => cell(run, 29.9)), differences: runs.map((_, column) => difference(column, 0)) },
  ];
  const columns = runs.map((run) => ({ title: run.run, runs: [run.run], maker: run.maker ?? 'Invented', model: run.model ?? 'Example', serial: null, golden: false }));
  return json({ runs, columns, incomparable, differences: ['supply: set to 14.4 V and 14.2 V', 'ambient: 25 °C and 31 °C'], rows, quantities });
}

const READ = [
  [/^status$/, (world, _, { mayChange }) => json(world.status(mayChange))],
  [/^runs$/, (world) => json({ runs: world.runs })],
  [/^runs\/([^/]+)$/, (world, [name]) => {
    const run = runOf(world, name);
    const ratings = world.ratingsDone.get(name);
    return json({ ...run, error: null, file: runFile, findings: world.findings.get(name) ?? [], ratings_file: ratings.length ? { ...ratingsFile, run: name, ratings } : null });
  }],
  [/^runs\/([^/]+)\/steps$/, (world, [name]) => json({ steps: world.stepsDone.get(runOf(world, name).run) })],
  [/^runs\/([^/]+)\/files$/, (world, [name]) => runOf(world, name) && json({ files: files.map(({ name: file, bytes }) => ({ name: file, bytes })) })],
  [/^runs\/([^/]+)\/files\/(.+)$/, (world, [name, file]) => {
    const found = runOf(world, name) && files.find((one) => one.name === file);
    if (!found) throw new Refusal(404, 'No such file', `Run ${name} has no file ${file}.`, 'See the list of its files.');
    return { status: 200, type: 'application/octet-stream', body: found.text };
  }],
  [/^runs\/([^/]+)\/report$/, (world, [name]) => ({ status: 200, type: 'text/html', body: `<!doctype html><title>Report</title><h1>Report of ${runOf(world, name).run}</h1>` })],
  [/^runs\/([^/]+)\/figures\/([a-z]+)\.svg$/, (world, [name, which], { query }) => {
    const steps = world.stepsDone.get(runOf(world, name).run);
    if (!steps.length) throw new Refusal(404, 'No figure yet', `Run ${name} has no step yet.`, 'Wait for its first step.');
    return svg(figure(which, steps, Number(query.get('step')), Number(query.get('width')) || 720));
  }],
  [/^compare$/, (world, _, { query }) => compare(world, query)],
  [/^compare\.svg$/, (world, _, { query }) => svg(figure('compare', world.stepsDone.get(runOf(world, query.getAll('run')[0]).run), 0, Number(query.get('width')) || 720))],
  [/^find$/, (world, _, { query }) => {
    if (world.catalogueTrouble) throw new Refusal(...world.catalogueTrouble);
    const { runs, all } = found(world.catalogue, query);
    if (query.get('format') === 'csv') return { status: 200, type: 'text/csv', body: ['key', ...runs.map((run) => run.key), ''].join('\r\n') };
    return json({ runs, found: all });
  }],
  [/^entries\/(.+)$/, (world, [key]) => {
    const entry = entryOf(world.catalogue, key);
    if (!entry) throw new Refusal(404, 'No such entry', `There is no run of the key ${key}.`, 'See what is found.');
    return json(entry);
  }],
  [/^units\/(.+)$/, (world, [serial], { query }) => json({ serial, runs: unitRuns(world.catalogue, serial, query) })],
  [/^scripts$/, () => json({ scripts: [
    { name: 'rated_power.rhai', purpose: 'Rated power: how much clean power each rating of the nameplate really comes to, and why it stops there.', parameters: [], fault: null },
    { name: 'burst_and_sustained.rhai', purpose: 'Burst against sustained: what each rating’s amplifier gives for 20 ms, what it keeps up, and what its limiter does.', parameters: [], fault: null },
    { name: 'sag.rhai', purpose: 'Sag: the ceiling at falling supply voltages.', fault: null, parameters: [
      { name: 'low_v', what: 'lowest supply voltage', unit: 'V', kind: 'number', default: 11, min: 9.5, max: 14, choices: [] },
      { name: 'repeats', what: '', unit: '', kind: 'whole', default: 2, min: 1, max: 9, choices: [] },
      { name: 'levels_vrms', what: 'source levels', unit: 'V rms', kind: 'numbers', default: [0.1, 0.5], min: 0.01, max: 2, choices: [] },
      { name: 'noise', what: 'what is played', unit: '', kind: 'word', default: 'pink', min: null, max: null, choices: ['white', 'pink'] },
      { name: 'thorough', what: 'every voltage twice', unit: '', kind: 'flag', default: false, min: null, max: null, choices: [] }] },
    { name: 'torn.rhai', purpose: 'Torn.', parameters: [], fault: 'script torn.rhai:3:1: there is no variable y here' }] })],
  [/^nameplates$/, () => json({ nameplates: [{ name: 'amplifier.toml', amplifier: 'Lindqvold Sample Works Steady 100', ratings: 3 }] })],
  [/^benches\/([^/]+)\/latch$/, (world) => json({ latched: world.latch })],
];

const CHANGE = [
  [/^jobs$/, (world, _, { body }) => {
    if (body.script.text?.includes('while true')) throw new Refusal(422, 'The script can’t run', 'mine.rhai, line 1: the loop has no end', 'End the loop, then add it again.');
    return json(world.addJob({ script: body.script.name, set: body.set, hold: body.hold, state: body.hold ? 'held' : 'waiting', without_selfcheck: body.without_selfcheck }), 201);
  }],
  [/^jobs\/(\d+)\/move$/, (world, [number], { body }) => {
    const order = [...world.jobs.values()].filter((job) => job.position !== null && job.job !== Number(number)).map((job) => job.job);
    const at = body.before === null ? order.length : order.indexOf(body.before);
    order.splice(at, 0, Number(number));
    world.reorder(order);
    return json(jobOf(world, number));
  }],
  [/^jobs\/(\d+)\/hold$/, (world, [number], { body }) => json(world.setJob(jobOf(world, number).job, { hold: body.hold, state: body.hold ? 'held' : 'waiting' }))],
  [/^jobs\/(\d+)\/cancel$/, (world, [number]) => {
    const job = jobOf(world, number);
    if (job.state === 'running') throw new Refusal(409, 'It runs', `Job ${number} runs already.`, 'Use STOP.');
    return json(world.setJob(job.job, { state: 'cancelled', position: null, ended_utc: world.now() }));
  }],
  [/^stop$/, (world) => {
    const answer = structuredClone({ benches: [world.bench, ...world.others] });
    setTimeout(() => {
      world.stop();
      for (const other of world.others) world.emit('bench', Object.assign(other, { guard: 'closed', outputs: 'off' }));
    }, 120);
    return json(answer, 202);
  }],
  [/^benches\/([^/]+)\/stop$/, (world, [id]) => {
    const bench = [world.bench, ...world.others].find((one) => one.bench === id);
    if (!bench) throw new Refusal(404, 'No such bench', `There is no bench ${id}.`, 'Load the page again.');
    const answer = structuredClone(bench);
    if (bench === world.bench) setTimeout(() => world.stop(), 120);
    return json(answer, 202);
  }],
  [/^benches\/([^/]+)\/reset$/, (world, _, { body }) => {
    if (body.number !== world.latch?.number) {
      throw new Refusal(409, 'Not the number shown', `The number ${body.number} is not the one that holds now.`, 'Look at the bench again and type the number that is shown.');
    }
    world.latch = null;
    world.setBench({ guard: 'safe', outputs: 'off', latched: null });
    return json(world.bench);
  }],
];

/** The answer to a request below /api/v1. */
export function answer(world, { method, path, query, body, mayChange }) {
  if (world.view && method !== 'GET') throw new Refusal(403, 'Forbidden', 'This is a read-only view.', 'Ask the daemon of the bench.');
  for (const [pattern, handler] of method === 'POST' ? CHANGE : READ) {
    const found = pattern.exec(path);
    if (!found) continue;
    if (method === 'POST' && !mayChange) {
      throw new Refusal(401, 'No valid token', 'This request carried no valid token, so nothing was changed.', 'Open the link that the daemon printed when it started.');
    }
    return handler(world, found.slice(1), { query, body, mayChange });
  }
  throw new Refusal(404, 'No such path', `There is nothing at ${path}.`, 'See /api/v1/openapi.json.');
}
