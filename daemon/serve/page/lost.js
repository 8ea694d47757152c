// Lost connection: said at once and large; nothing that was known before may look as if it still held.

import { el, redraw } from './dom.js';
import { duration, moment } from './format.js';

export function startLost(state) {
  const box = document.getElementById('lost');
  const draw = () => {
    document.body.dataset.connection = state.connection;
    box.hidden = state.connection !== 'lost';
    redraw(box, [state.connection, state.lostWhy], () => (state.connection === 'lost' ? words(state) : []));
    drawAges(state);
  };
  state.subscribe((kind) => kind === 'connection' && draw());
  setInterval(() => drawAges(state), 1000);
  draw();
}

function words(state) {
  const since = state.heardAt === null
    ? ['Nothing was heard yet.']
    : ['Last heard at ', moment(new Date(state.heardAt).toISOString()), '. What is shown below is old.'];
  if (state.view) {
    return [el('strong', {}, 'Connection lost'), el('p', {}, ...since, ' The page keeps trying to reach the view.'), el('p', { class: 'why' }, `Why: ${state.lostWhy}.`)];
  }
  return [
    el('strong', {}, 'Connection lost'),
    el('p', {}, 'The state of the bench is unknown. Treat every output as live. ', ...since),
    el('p', {}, 'STOP can’t be reached from here: cut the power at the bench. The page keeps trying to reach the daemon.'),
    el('p', { class: 'why' }, `Why: ${state.lostWhy}.`),
  ];
}

/** An element that tells how old the values beside it are while the connection is lost. */
export function ageNote() {
  return el('p', { class: 'age', 'data-test': 'age' });
}

function drawAges(state) {
  const lost = state.connection === 'lost';
  const text = !lost ? '' : state.heardAt === null
    ? 'age unknown' : `old values: last heard ${duration((Date.now() - state.heardAt) / 1000)} ago`;
  for (const node of document.querySelectorAll('.age')) node.textContent = text;
}
