// Shows the view that the address names, and moves the focus to it as a page load would.

import { el } from './dom.js';
import { parse } from './route.js';
import { comparing } from './views/compare.js';
import { entry } from './views/entry.js';
import { find } from './views/find.js';
import { live } from './views/live.js';
import { worstHeadline } from './words.js';
import { queue } from './views/queue.js';
import { run } from './views/run.js';
import { runs } from './views/runs.js';
import { unit } from './views/unit.js';

/** Every view: `(state, route) => {title, node, stop()}`. */
const VIEWS = { live, queue, runs, run, find, entry, unit, compare: comparing, missing };

export function startRouting(state) {
  const main = document.getElementById('main');
  let current = null;
  // The title is all that is seen of a tab in the background.
  const entitle = () => {
    document.title = `${worstHeadline(state)} – ${current.title} – Wattproof`;
  };
  const show = (first) => {
    const route = within(state, parse(location.hash));
    current?.stop();
    current = VIEWS[route.view](state, route);
    main.replaceChildren(current.node);
    entitle();
    markCurrent(route);
    if (!first) {
      main.focus({ preventScroll: true });
      scrollTo(0, 0);
    }
  };
  // The skip link names an element, not a view.
  document.getElementById('skip').addEventListener('click', (event) => {
    event.preventDefault();
    main.focus();
  });
  addEventListener('hashchange', () => show(false));
  show(true);
  let view = state.view;
  // Only the daemon's first word says whether there are benches.
  state.subscribe((kind) => {
    if (kind !== 'all' || view === state.view) return;
    view = state.view;
    for (const link of document.querySelectorAll('#nav a')) link.parentElement.hidden = view !== null && !link.matches('[href="#/find"]');
    show(true);
  });
  state.subscribe((kind) => ['all', 'bench', 'connection'].includes(kind) && entitle());
}

/** A read-only view begins with the search and has nothing beside it. */
function within({ view }, route) {
  if (!view || ['find', 'entry', 'unit', 'missing'].includes(route.view)) return route;
  return route.view === 'live' ? { view: 'find', query: new URLSearchParams() } : { view: 'missing', path: location.hash.slice(2), query: route.query };
}

function markCurrent(route) {
  const here = { live: '#/', run: '#/runs', entry: '#/find', unit: '#/find', missing: '' }[route.view] ?? `#/${route.view}`;
  for (const link of document.querySelectorAll('#nav a')) {
    if (link.getAttribute('href') === here) link.setAttribute('aria-current', 'page');
    else link.removeAttribute('aria-current');
  }
}

function missing(state, route) {
  return {
    title: 'No such page',
    node: el('div', {}, el('h1', {}, 'No such page'),
      el('p', {}, `There is nothing at “${route.path}”. `, el('a', { href: '#/' }, 'Go to what happens now'), '.')),
    stop() {},
  };
}
