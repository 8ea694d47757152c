// Says to a screen reader what a person beside the screen sees change: progress politely, danger at once.

import { benchWords, causeWords, outcomeWords } from './words.js';
import { quantityText, uncertain } from './format.js';

const QUARTERS = 4;

export function startAnnouncing(state) {
  const polite = document.getElementById('polite');
  const assertive = document.getElementById('assertive');
  const last = { tones: new Map(), quarters: new Map(), doings: new Map() };
  state.subscribe((kind, data) => {
    if (kind === 'bench' || kind === 'all') danger(state, last.tones, assertive);
    if (kind === 'rating') polite.textContent = ratingText(data.rating);
    if (kind === 'job') progress(data, last, polite);
  });
}

function danger(state, tones, assertive) {
  for (const bench of state.benches.values()) {
    const words = benchWords(bench, 'live');
    const before = tones.get(bench.bench);
    tones.set(bench.bench, words.tone);
    if (before === words.tone || !['trip', 'alarm', 'unknown'].includes(words.tone)) continue;
    const cause = bench.latched ? ` Cause: ${bench.latched.cause}.` : '';
    assertive.textContent = `${bench.name}: ${words.headline}. ${words.meaning}${cause}`;
  }
}

function ratingText(rating) {
  const measured = rating.volts
    ? quantityText(rating.volts.measured_vrms, 'V rms')
    : uncertain(rating.measured_w, rating.expanded_u_w, 'W').textContent;
  return `Rating ${rating.rating}: ${measured}, ${outcomeWords(rating.verdict).word}, ${causeWords(rating.cause)}.`;
}

function progress(job, last, polite) {
  if (job.state !== 'running') {
    if (last.doings.get(job.job) !== job.state) polite.textContent = `Job ${job.job}: ${job.state}.`;
    last.doings.set(job.job, job.state);
    return;
  }
  const quarter = job.steps_planned ? Math.floor((QUARTERS * job.steps) / job.steps_planned) : 0;
  if (last.quarters.get(job.job) === quarter && last.doings.get(job.job) === job.doing) return;
  last.quarters.set(job.job, quarter);
  last.doings.set(job.job, job.doing);
  const of = job.steps_planned ? ` of ${job.steps_planned}` : '';
  polite.textContent = `Job ${job.job}: ${job.doing ?? 'running'}, step ${job.steps}${of}.`;
}
