// Talks to the daemon's API. Every failure becomes a Problem with what happened and what to do next.

import { token } from './token.js';

const ROOT = '/api/v1';
const PATIENCE_MS = 15_000;

/** What the daemon refused, or that it could not be asked. Texts are the daemon's own where it gave any. */
export class Problem extends Error {
  constructor({ title, detail, next, status, reasons = [] }) {
    super(detail);
    Object.assign(this, { title, detail, next, status, reasons });
  }
}

/** Path segments and a query as one address; every piece is escaped here and nowhere else. */
export function address(segments, query = {}) {
  const path = segments.map(encodeURIComponent).join('/');
  const pairs = Object.entries(query).flatMap(([key, value]) => [value].flat().map((one) => [key, one]));
  const asked = new URLSearchParams(pairs.filter(([, one]) => one !== null && one !== undefined)).toString();
  return `${ROOT}/${path}${asked ? `?${asked}` : ''}`;
}

/** Headers with the token, where this tab holds one. */
export function headers(more = {}) {
  const held = token();
  return held ? { ...more, Authorization: `Bearer ${headerText(held)}` } : more;
}

// A header holds Latin-1 alone; anything else can't be a token of the daemon's and must not throw here.
function headerText(text) {
  return text.replace(/[^\x21-\x7e]/g, '?');
}

/** A request whose answer is a Response with a good status. */
export async function send(url, options = {}) {
  let response;
  try {
    response = await fetch(url, {
      cache: 'no-store', credentials: 'same-origin', signal: AbortSignal.timeout(PATIENCE_MS), ...options,
      headers: headers(options.headers),
    });
  } catch (error) {
    throw unreachable(url, error);
  }
  if (!response.ok) throw await refusal(url, response);
  return response;
}

function unreachable(url, error) {
  return new Problem({
    title: 'No answer',
    detail: `The daemon did not answer ${url} (${error.message}).`,
    next: 'See whether the bench PC and the daemon run; look at the bench itself for its state.',
    status: 0,
  });
}

async function refusal(url, response) {
  const told = await response.json().catch(() => ({}));
  return new Problem({
    title: told.title ?? `Answer ${response.status}`,
    detail: told.detail ?? `The daemon answered ${url} with ${response.status} and no explanation.`,
    next: told.next ?? '',
    status: response.status,
    reasons: Array.isArray(told.reasons) ? told.reasons : [],
  });
}

/** A JSON answer. */
export async function get(segments, query) {
  return read(await send(address(segments, query)), segments);
}

/** Changes something; the JSON answer. */
export async function post(segments, body = {}) {
  const headers = { 'Content-Type': 'application/json' };
  return read(await send(address(segments), { method: 'POST', headers, body: JSON.stringify(body) }), segments);
}

async function read(response, segments) {
  try {
    return await response.json();
  } catch (error) {
    throw new Problem({
      title: 'Unreadable answer',
      detail: `The answer to ${segments.join('/')} is not JSON (${error.message}).`,
      next: 'Load this page again; if it stays, page and daemon are of different versions.',
      status: response.status,
    });
  }
}
