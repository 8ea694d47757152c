// The recorded run that the stand-in's answers are made of, in the shapes of the daemon's API.

import { readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

export const RUN = '20261126T114218Z-steady-100';
export const FOLDER = fileURLToPath(new URL(`../fixtures/${RUN}/`, import.meta.url));

const CHANNEL = ['out_vrms', 'out_irms', 'active_w', 'thd_pct', 'thdn_pct', 'noise_vrms', 'gain_db', 'dc_v',
  'residue_vrms', 'crest_factor', 'flat_top_pct'];
const STEP = ['at_s', 'level_vrms', 'hz', 'load_ohm', 'supply_v_set', 'supply_v', 'supply_a', 'supply_w',
  'efficiency_pct', 'heatsink_c'];

const text = (name) => readFileSync(`${FOLDER}${name}`, 'utf8');
const number = (cell) => (cell === '' ? null : Number(cell));

/** Lines of steps.csv as objects. The recorded file has no quoted cell. */
export function csvLines() {
  const [head, ...lines] = text('steps.csv').trim().split('\n').map((line) => line.split(','));
  return lines.map((cells) => Object.fromEntries(head.map((name, at) => [name, cells[at]])));
}

function readSteps() {
  const steps = new Map();
  for (const line of csvLines()) {
    const step = Number(line.step);
    if (!steps.has(step)) {
      const numbers = Object.fromEntries(STEP.map((name) => [name, number(line[name])]));
      steps.set(step, { step, purpose: line.purpose, rating: number(line.rating), ...numbers, channels: [] });
    }
    const numbers = Object.fromEntries(CHANNEL.map((name) => [name, number(line[name])]));
    steps.get(step).channels.push({ channel: Number(line.channel), driven: line.driven === 'true', ...numbers, flags: line.flags });
  }
  return [...steps.values()];
}

export const steps = readSteps();
export const runFile = JSON.parse(text('run.json'));
export const ratingsFile = JSON.parse(text('ratings.json'));
export const files = ['run.json', 'ratings.json', 'steps.csv'].map((name) => ({ name, bytes: text(name).length, text: text(name) }));

/** The brief of a rating, as a list of runs holds it. */
export function ratingBrief(record) {
  const { rating, load_ohm, supply_v, driven, verdict, cause } = record;
  return { rating, rated: record.rated_w, measured: record.measured_w, expanded_u: record.expanded_u_w, unit: 'W', load_ohm, supply_v, driven, verdict, cause };
}

/** The brief of the recorded run. */
export function runBrief() {
  const { maker, model, serial, invented } = runFile.nameplate;
  return {
    run: RUN, amplifier: `${maker} ${model}`, maker, model, serial, invented, bench: runFile.bench.name,
    script: runFile.script, started_utc: runFile.started_utc, ended_utc: runFile.ended_utc, outcome: runFile.outcome,
    steps: steps.length, ratings: ratingsFile.ratings.map(ratingBrief),
  };
}
