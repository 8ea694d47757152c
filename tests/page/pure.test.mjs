// The page's parts that need no browser: event stream, numbers, addresses, order of jobs.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { EventReader } from '../../daemon/serve/page/sse.js';
import { decimalsOf, digits, duration, quantityText } from '../../daemon/serve/page/format.js';
import { compareAddress, parse, runAddress } from '../../daemon/serve/page/route.js';
import { State } from '../../daemon/serve/page/state.js';
import { benchWords } from '../../daemon/serve/page/words.js';
import { offConfirmed } from '../../daemon/serve/page/stop.js';

// Examples of the HTML standard, section 9.2.6 "Interpreting an event stream".
test('an event stream is read as the HTML standard has it', () => {
  const stocks = new EventReader();
  assert.deepEqual(stocks.take('data: YHOO\ndata: +2\ndata: 10\n\n').map((event) => event.data), ['YHOO\n+2\n10']);
  const blocks = new EventReader();
  const read = blocks.take(': test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\ndata:  third event\n\n');
  assert.deepEqual(read.map(({ data, id }) => [data, id]), [['first event', '1'], ['second event', ''], [' third event', '']]);
  const same = new EventReader();
  assert.deepEqual(same.take('data:test\n\ndata: test\n\n').map((event) => event.data), ['test', 'test']);
  assert.deepEqual(new EventReader().take('data\n\ndata\ndata\n\ndata:').map((event) => event.data), ['', '\n']);
});

test('an event stream may come in any pieces and with any line ends', () => {
  const text = 'id: k3x9-1\revent: job\r\ndata: {"a":1}\n\r\nevent: beat\ndata: {}\n\n';
  for (let size = 1; size <= text.length; size++) {
    const reader = new EventReader();
    const events = [];
    for (let at = 0; at < text.length; at += size) events.push(...reader.take(text.slice(at, at + size)));
    assert.deepEqual(events.map(({ kind, data }) => [kind, data]), [['job', '{"a":1}'], ['beat', '{}']], `pieces of ${size}`);
    assert.equal(reader.lastId, 'k3x9-1');
  }
});

// Two digits of an uncertainty are enough: JCGM 100:2008, 7.2.6.
test('a value is shown with the decimals that its uncertainty has in two digits', () => {
  assert.equal(decimalsOf(0.42452489096726376), 2);
  assert.equal(decimalsOf(1.194829426401364), 1);
  assert.equal(decimalsOf(12.3), 0);
  assert.equal(decimalsOf(0), undefined);
  assert.equal(decimalsOf(null), undefined);
});

test('numbers have a unit, no exponent and no more digits than make sense', () => {
  assert.equal(quantityText(115.59599407208762, 'W'), '115.6\u00a0W');
  assert.equal(quantityText(-0.0000179, 'V'), '−17.9\u00a0µV');
  assert.equal(quantityText(0.0000000001, 'V'), '0.100\u00a0nV');
  assert.equal(quantityText(0.00135, '%'), '0.00135\u00a0%');
  assert.equal(quantityText(12345.6, 'W'), '12346\u00a0W');
  assert.equal(quantityText(0, 'W'), '0\u00a0W');
  assert.equal(quantityText(25.14, '°C'), '25.1\u00a0°C');
  for (const absent of [null, undefined, NaN, Infinity, '3']) assert.equal(quantityText(absent, 'W'), '–');
  assert.equal(digits(999.96, 4), '1000.0');
  assert.equal(duration(62), '1\u00a0min 2\u00a0s');
  assert.equal(duration(7500), '2\u00a0h 05\u00a0min');
  assert.equal(duration(null), '–');
});

test('addresses keep any name of a run', () => {
  for (const name of ['20261126T114218Z-steady-100', 'a b%/?#&c', '<img>']) {
    assert.deepEqual(parse(runAddress(name)).run, name);
    assert.deepEqual(parse(compareAddress([name, 'x'])).query.getAll('run'), [name, 'x']);
  }
  assert.equal(parse('#/runs/%').run, '%');
  assert.equal(parse('').view, 'live');
  assert.equal(parse('#/elsewhere').view, 'missing');
});

test('the queue is shown running first, then in order, then what ended, newest first', () => {
  const state = new State();
  const jobs = [
    { job: 1, state: 'ended', ended_utc: '2026-01-01T00:00:00Z' }, { job: 2, state: 'waiting', position: 2 },
    { job: 3, state: 'held', position: 1 }, { job: 4, state: 'running' },
    { job: 5, state: 'cancelled', ended_utc: '2026-01-02T00:00:00Z' }];
  state.load({ version: '', may_change: true, benches: [], jobs });
  assert.deepEqual(state.sortedJobs().map((job) => job.job), [4, 3, 2, 5, 1]);
});

// SAFETY.md, States and invariants 9 and 20: UNKNOWN counts as ON, and off is what was read back, nothing less.
test('no state that is not confirmed off looks calm or counts as stopped', () => {
  const guards = ['closed', 'boot', 'safe', 'armed', 'running', 'tripping', 'tripped', 'alarm', 'something new'];
  for (const guard of guards) {
    for (const outputs of ['off', 'live', 'unknown']) {
      const { tone } = benchWords({ guard, outputs }, 'live');
      if (outputs !== 'off' || ['armed', 'running', 'alarm', 'something new'].includes(guard)) assert.notEqual(tone, 'calm', `${guard} ${outputs}`);
      const confirmed = outputs === 'off' && ['closed', 'safe', 'tripped'].includes(guard);
      assert.equal(offConfirmed({ guard, outputs }), confirmed, `${guard} ${outputs}`);
      for (const connection of ['connecting', 'lost']) assert.equal(benchWords({ guard, outputs }, connection).tone, 'unknown');
    }
  }
});
