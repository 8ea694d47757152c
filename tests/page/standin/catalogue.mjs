// The stand-in's catalogue: the recorded run, and many invented ones of three benches whose folders are elsewhere.

import { files, ratingsFile, runBrief, runFile } from './recorded.mjs';

const SCRIPTS = ['rated_power.rhai', 'sag.rhai', 'burst_and_sustained.rhai'];
const BENCHES = ['north bench', 'south bench', 'returns bench'];
const CAUSES = ['clipping', 'sag', 'current limit', 'soft clipping'];
const ELSEWHERE = 130;

/** Entries as the daemon tells them, `here` and what is counted from them included. */
export function catalogue() {
  return [recorded(), ...Array.from({ length: ELSEWHERE }, (_, at) => invented(at + 1))];
}

function recorded() {
  const { run, bench, serial, started_utc, ended_utc, outcome, steps } = runBrief();
  const { maker, model } = runFile.nameplate;
  const ratings = ratingsFile.ratings.map((one) => rating(one.rating, one.rated_w, one.measured_w, one.expanded_u_w, one.verdict, one.cause, one));
  return entry({ key: 'a'.repeat(64), run, here: true, bench, serial, maker, model, script: SCRIPTS[0], started_utc, ended_utc, outcome, steps, ratings });
}

function invented(number) {
  const verdict = ['meets', 'short', 'undecided', null][number % 4];
  const day = String(1 + (number % 28)).padStart(2, '0');
  const measured = verdict === 'short' ? 83.25 + number / 100 : 104.5 + number / 100;
  return entry({
    key: String(number).padStart(64, '0'), run: `2031${String(1 + (number % 12)).padStart(2, '0')}${day}T101500Z-example-${number}`, here: false,
    bench: BENCHES[number % 3], serial: number % 9 ? `SN${String(number % 9).padStart(4, '0')}` : null,
    maker: number % 2 ? 'Invented Maker' : 'Lindqvold Sample Works', model: `Invented Example ${100 + (number % 3)}`, script: SCRIPTS[number % 3],
    started_utc: `2031-${String(1 + (number % 12)).padStart(2, '0')}-${day}T10:15:00.000Z`, ended_utc: `2031-${String(1 + (number % 12)).padStart(2, '0')}-${day}T10:17:05.000Z`,
    outcome: verdict ? 'finished' : 'stopped', steps: 20 + number, gaps: number % 5 ? 0 : 2, gap_s: number % 5 ? 0 : 3725,
    ratings: verdict ? [rating(1, 100, measured, 2.125, verdict, CAUSES[number % 4])] : [],
  });
}

function rating(number, rated, measured, expanded_u, verdict, cause, of = {}) {
  const { load_ohm = 4, supply_v = 14.4, hz = 1000, driven = 'all', limit_by = 'thdn', limit_pct = 1 } = of;
  return {
    rating: number, rated, measured, expanded_u, unit: 'W', ratio_db: 10 * Math.log10(measured / rated), load_ohm, supply_v, hz, driven, limit_by,
    limit_pct, verdict, cause, out_vrms: Math.sqrt(measured * load_ohm), efficiency_pct: 61.5, heatsink_c: 48.25, not_measured: null,
    clean: [{ limit_pct: 0.1, delivered: measured * 0.9 }],
  };
}

const finding = { finding: 1, name: 'offset', channel: 2, value: 0.0125, unit: 'V', expanded_u: 0.001, at: 'idle, 14.4 V', low: -0.05, high: 0.05, verdict: 'meets', note: '' };

function entry(of) {
  const counted = (verdict) => of.ratings.filter((one) => one.verdict === verdict).length;
  const verdict = ['short', 'undecided', 'meets'].find(counted) ?? null;
  return {
    lines: 412, chain: 'c'.repeat(64), folder: `/home/bench/results/${of.run}`, invented: true, golden: of.serial === 'SN0001', price: 249.5, currency: 'EUR',
    script_sha256: 'b'.repeat(64), operator: 'an invented operator', error: null, verdict, gaps: 0, gap_s: 0, calibration: 'valid', selfcheck: 'made',
    wattproof_version: '0.1.0', findings: [finding], findings_short: 0, findings_undecided: 0,
    instruments: [{ role: 'source', idn: 'Invented Instruments,Source 1,0001,1.0', dialect: 'generic_source' }],
    files: files.map(({ name, bytes }) => ({ name, bytes, sha256: name.startsWith('captures') ? null : 'd'.repeat(64) })),
    ratings_short: counted('short'), ratings_undecided: counted('undecided'),
    ratio_db_min: of.ratings.length ? Math.min(...of.ratings.map((one) => one.ratio_db)) : null, ...of,
  };
}

/** As the daemon's answers have it: numbers for the lists. */
const brief = ({ ratings, findings, instruments, files: held, ...run }) => ({ ...run, ratings: ratings.length, findings: findings.length });

const RANK = { short: 1, undecided: 2, meets: 3 };
const BY = {
  date: (run) => run.started_utc, maker: (run) => `${run.maker} ${run.model}`.toLowerCase(), model: (run) => run.model, serial: (run) => run.serial,
  verdict: (run) => RANK[run.verdict] ?? null, script: (run) => run.script, bench: (run) => run.bench, ratio: (run) => run.ratio_db_min,
};

/** What a search finds: one page of it, and how many there are. */
export function found(entries, query) {
  const same = (name) => (run) => !query.has(name) || run[name] === query.get(name);
  const within = (name) => (run) => !query.has(name) || run[name].toLowerCase().includes(query.get(name).toLowerCase());
  const fits = [
    same('serial'), same('script'), same('bench'), within('maker'), within('model'),
    (run) => !query.has('verdict') || (run.verdict ?? 'none') === query.get('verdict'),
    (run) => !query.has('cause') || run.ratings.some((one) => one.cause === query.get('cause')),
    (run) => !query.has('from') || run.started_utc >= query.get('from'),
    (run) => !query.has('to') || run.started_utc < `${query.get('to')}\uffff`,
  ];
  const sort = query.get('sort') ?? 'date';
  const way = (query.get('order') ?? (sort === 'date' ? 'desc' : 'asc')) === 'desc' ? -1 : 1;
  const all = entries.filter((run) => fits.every((fit) => fit(run))).sort((a, b) => compare(BY[sort](a), BY[sort](b), way) || way * compare(a.key, b.key, 1));
  const offset = Number(query.get('offset') ?? 0);
  return { all: all.length, runs: all.slice(offset, offset + Number(query.get('limit') ?? 10_000)).map(brief) };
}

// What is absent comes last, either way.
function compare(a, b, way) {
  if (a === null || b === null) return (a === null) - (b === null);
  return a < b ? -way : a > b ? way : 0;
}

export function entryOf(entries, key) {
  return entries.find((one) => one.key === key);
}

export function unitRuns(entries, serial, query) {
  const of = (name) => (run) => !query.has(name) || run[name] === query.get(name);
  return entries.filter((run) => run.serial === serial && of('maker')(run) && of('model')(run))
    .sort((a, b) => compare(a.started_utc, b.started_utc, 1)).map(brief);
}
