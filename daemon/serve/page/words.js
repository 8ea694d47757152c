// What states mean, in words. Every state is told by words first; `tone` only picks how strongly.

/** The state of a bench: a headline, what it means for a person, and its tone. */
export function benchWords(bench, connection) {
  if (connection !== 'live') return UNHEARD[connection];
  if (bench.lost && bench.guard === 'closed') return LOST;
  const words = GUARD[bench.guard]
    ?? { headline: `Unknown state “${bench.guard}”`, meaning: 'Treat every output as live.', tone: 'unknown' };
  if (bench.outputs !== 'unknown' || words.tone === 'alarm') return withOutputs(words, bench);
  return { headline: `${words.headline}, outputs unknown`, meaning: 'Treat every output as live.', tone: 'unknown' };
}

function withOutputs(words, bench) {
  // A live output is never shown calm, whatever state the guard is in.
  if (bench.outputs === 'live' && words.tone === 'calm') return { ...words, meaning: 'An output is live.', tone: 'live' };
  return words;
}

/** How many benches are in which state, those that need a person most first. */
export function benchCounts(benches, connection) {
  const counts = new Map();
  for (const { headline, tone } of benches.map((bench) => benchWords(bench, connection))) {
    counts.set(headline, { count: (counts.get(headline)?.count ?? 0) + 1, tone });
  }
  return [...counts].sort(([, a], [, b]) => TONES.indexOf(a.tone) - TONES.indexOf(b.tone))
    .map(([headline, { count }]) => `${count} ${headline.startsWith('ALARM') ? headline : headline.toLowerCase()}`).join(', ');
}

/** The bench that needs a person most: the first of those that do, else the first whose outputs are live, else the first. */
export function worstBench({ benches, connection }) {
  const rank = (bench) => TONES.indexOf(benchWords(bench, connection).tone);
  return [...benches.values()].reduce((worst, bench) => (worst === null || rank(bench) < rank(worst) ? bench : worst), null);
}

const TONES = ['alarm', 'unknown', 'trip', 'live', 'calm'];

/** The headline of the bench that needs a person most, with its name where there are several. */
export function worstHeadline(state) {
  const { benches, connection } = state;
  if (state.view) return connection === 'lost' ? 'Connection lost' : VIEW;
  const bench = worstBench(state);
  if (!bench) return (UNHEARD[connection] ?? UNHEARD.connecting).headline;
  const { headline, tone } = benchWords(bench, connection);
  return benches.size > 1 && connection === 'live' && tone !== 'calm' ? `${bench.name}: ${headline}` : headline;
}

/** What a page that is over many benches' records, and no bench, is called. */
export const VIEW = 'Read-only view';

const UNHEARD = {
  connecting: { headline: 'Not known yet', meaning: 'Asking the daemon. Treat every output as live.', tone: 'unknown' },
  lost: { headline: 'State unknown', meaning: 'Connection lost. Treat every output as live.', tone: 'unknown' },
};

const LOST = {
  headline: 'Can’t be opened',
  meaning: 'The last run could not open this bench. What waits for it waits for a person: mend it, then release.',
  tone: 'trip',
};

const GUARD = {
  closed: { headline: 'No run', meaning: 'Outputs off when last read back. Nothing holds the ports now.', tone: 'calm' },
  boot: { headline: 'Starting', meaning: 'Instruments are identified, commanded off and read back.', tone: 'calm' },
  safe: { headline: 'Safe', meaning: 'Outputs off, read back.', tone: 'calm' },
  armed: { headline: 'Armed', meaning: 'Outputs may go live at any moment.', tone: 'live' },
  running: { headline: 'Running', meaning: 'Outputs are live. Do not touch.', tone: 'live' },
  tripping: { headline: 'Tripping', meaning: 'Switching everything off. Treat every output as live.', tone: 'trip' },
  tripped: { headline: 'Tripped', meaning: 'Outputs off. A person must look at the bench and reset.', tone: 'trip' },
  alarm: {
    headline: 'ALARM: off is not confirmed', meaning: 'Go to the bench and cut the power by hand.', tone: 'alarm',
  },
};

/** What a bench believes of its outputs. */
export const OUTPUTS = { off: 'off', live: 'live', unknown: 'unknown, treat as live' };

/** States of a job. */
export const JOB = {
  waiting: 'waiting', held: 'held', running: 'running', stopping: 'stopping', ended: 'ended', cancelled: 'cancelled',
};

/** Verdicts and other outcomes: a sign that differs in shape, the word, and a tone. */
const OUTCOME = {
  meets: ['✓', 'meets', 'good'],
  short: ['✗', 'short', 'bad'],
  undecided: ['?', 'undecided', 'doubt'],
  no_rating: ['–', 'no rating', 'plain'],
  finished: ['', 'finished', 'plain'],
  stopped: ['■', 'stopped', 'doubt'],
  failed: ['!', 'failed', 'bad'],
  not_safe: ['!!', 'not safe', 'bad'],
};

/** Sign, word and tone of an outcome or a verdict. */
export function outcomeWords(outcome) {
  const [sign, word, tone] = OUTCOME[outcome] ?? ['', String(outcome ?? '–'), 'plain'];
  return { sign, word, tone };
}

/** A ceiling cause as words. */
export function causeWords(cause) {
  return String(cause ?? '').replaceAll('_', ' ');
}

/** Channels driven together. */
const DRIVEN = { all: 'all channels driven', one: 'one channel driven', bridged: 'bridged' };

/** The distortion that a limit is on. */
const LIMIT_BY = { thdn: 'THD+N', thd: 'THD' };

/** Conditions of a rating in one line. */
export function conditions(rating) {
  const limit = `${LIMIT_BY[rating.limit_by] ?? rating.limit_by} ${rating.limit_pct}\u00a0%`;
  return `${rating.load_ohm}\u00a0Ω, ${rating.supply_v}\u00a0V, ${DRIVEN[rating.driven] ?? rating.driven}, `
    + `${rating.hz}\u00a0Hz, ${limit}`;
}
