// The address after `#` says which view is shown.

/** The route of a hash: the view's name, the rest of its path, and its query. */
export function parse(hash) {
  const [path, asked = ''] = hash.replace(/^#\/?/, '').split('?');
  const [name = '', ...rest] = path.split('/').map(decoded);
  const query = new URLSearchParams(asked);
  if (name === 'runs' && rest.length && rest[0]) return { view: 'run', run: rest.join('/'), query };
  if (name === 'entries' && rest[0]) return { view: 'entry', key: rest.join('/'), query };
  if (name === 'units' && rest[0]) return { view: 'unit', serial: rest.join('/'), query };
  if (['queue', 'runs', 'find', 'compare'].includes(name)) return { view: name, query };
  return name === '' ? { view: 'live', query } : { view: 'missing', path: decoded(path), query };
}

// A hand-made address may hold a lone percent sign.
function decoded(text) {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

/** The address of a run's page. */
export function runAddress(run) {
  return `#/runs/${encodeURIComponent(run)}`;
}

/** The address of a search; what is empty is left out. */
export function findAddress(asked = {}) {
  const query = new URLSearchParams(Object.entries(asked).filter(([, value]) => value)).toString();
  return query ? `#/find?${query}` : '#/find';
}

/** The address of what the catalogue holds of a run. */
export function entryAddress(key) {
  return `#/entries/${encodeURIComponent(key)}`;
}

/** The address of a unit's history; maker and model where two of them use the same serial number. */
export function unitAddress(serial, of = {}) {
  const query = new URLSearchParams(of).toString();
  return `#/units/${encodeURIComponent(serial)}${query ? `?${query}` : ''}`;
}

/** The address of what happens now on one bench of several. */
export function benchAddress(bench) {
  return `#/?${new URLSearchParams({ bench })}`;
}

/** The address of a comparison; `options` as `{ by_unit: true, incomparable: true }`. */
export function compareAddress(runs, options = {}) {
  const asked = Object.entries(options).filter(([, wanted]) => wanted).map(([name]) => [name, 'true']);
  return `#/compare?${new URLSearchParams([...runs.map((run) => ['run', run]), ...asked])}`;
}
