// The token that lets this page change anything: kept for this tab alone, never left in the address.

const KEY = 'wattproof-token';

/** Takes the token out of an address that ends in `#token=…`, before anything else reads it; whether there was one. */
export function takeFromAddress() {
  const found = /^#token=([^&]+)/.exec(location.hash);
  if (!found) return false;
  try {
    keep(decodeURIComponent(found[1]));
  } catch {
    // Not well formed, so it is no token of the daemon's; the page stays a view only and says so.
    keep('');
  } finally {
    history.replaceState(null, '', `${location.pathname}${location.search}#/`);
  }
  return true;
}

/** The token, or null. */
export function token() {
  return sessionStorage.getItem(KEY);
}

/** Keeps a token for this tab; an empty one is forgotten. */
export function keep(text) {
  const trimmed = text.trim();
  if (trimmed) sessionStorage.setItem(KEY, trimmed);
  else sessionStorage.removeItem(KEY);
}
