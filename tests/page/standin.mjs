// A stand-in for the daemon: serves the page and answers its API from a recorded, invented run.
//
// For tests it is told what to do (`world`, `cut`, `mute`); started by itself it plays the recorded run over and over:
// node tests/page/standin.mjs [PORT]

import { createServer } from 'node:http';
import { readFile } from 'node:fs/promises';
import { dirname, extname, join, normalize } from 'node:path';
import { fileURLToPath } from 'node:url';
import { Refusal, answer } from './standin/routes.mjs';
import { World } from './standin/world.mjs';

const PAGE = join(dirname(fileURLToPath(import.meta.url)), '../../daemon/serve/page');
const TYPES = { '.html': 'text/html; charset=utf-8', '.js': 'text/javascript; charset=utf-8', '.css': 'text/css; charset=utf-8', '.svg': 'image/svg+xml' };
const CSP = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
const BEAT_MS = 2000;

export class Standin {
  world = new World();
  /** `up`; `mute`: streams stay open and say nothing; `cut`: every connection is dropped, none is taken. */
  link = 'up';
  /** Longest the answer to anything but the stream is held back, ms. */
  delayMs = 0;
  eventRequests = [];
  #server = createServer((request, response) => this.#take(request, response));
  #beats = setInterval(() => this.#beat(), BEAT_MS);

  async start(port = 0) {
    await new Promise((done) => this.#server.listen(port, '127.0.0.1', done));
    this.url = `http://127.0.0.1:${this.#server.address().port}`;
    return this;
  }

  async close() {
    clearInterval(this.#beats);
    this.#server.closeAllConnections();
    await new Promise((done) => this.#server.close(done));
  }

  cut() {
    this.link = 'cut';
    this.#server.closeAllConnections();
  }

  mute() {
    this.link = 'mute';
  }

  comeBack() {
    this.link = 'up';
  }

  #beat() {
    for (const stream of this.world.streams) stream({ kind: 'beat', data: { now_utc: this.world.now() } });
  }

  async #take(request, response) {
    if (this.link === 'cut') {
      request.socket.destroy();
      return;
    }
    const url = new URL(request.url, 'http://daemon');
    try {
      if (url.pathname === '/api/v1/events') this.#stream(request, response, url);
      else if (url.pathname.startsWith('/api/v1/')) await this.#api(request, response, url);
      else await this.#file(response, url.pathname);
    } catch (error) {
      const body = error instanceof Refusal ? error.body : { status: 500, title: 'Stand-in failed', detail: error.stack, next: '' };
      response.writeHead(body.status, { 'Content-Type': 'application/problem+json' }).end(JSON.stringify(body));
    }
  }

  async #api(request, response, url) {
    let text = '';
    for await (const piece of request) text += piece;
    const mayChange = request.headers.authorization === `Bearer ${this.world.token}`;
    const path = url.pathname.slice('/api/v1/'.length).split('/').map(decodeURIComponent).join('/');
    const asked = { method: request.method, path, query: url.searchParams, body: text ? JSON.parse(text) : {}, mayChange };
    this.world.requests.push({ ...asked, at: performance.now() });
    if (this.delayMs) await new Promise((done) => setTimeout(done, this.delayMs));
    const { status, type, body } = answer(this.world, asked);
    response.writeHead(status, { 'Content-Type': type, 'Cache-Control': 'no-store' }).end(body);
  }

  #stream(request, response, url) {
    const id = request.headers['last-event-id'] ?? url.searchParams.get('after');
    this.eventRequests.push(id ?? null);
    response.writeHead(200, { 'Content-Type': 'text/event-stream', 'Cache-Control': 'no-store' });
    const send = ({ id: one, kind, data }) => {
      if (this.link === 'up') response.write(`${one ? `id: ${one}\n` : ''}event: ${kind}\ndata: ${JSON.stringify(data)}\n\n`);
    };
    const missed = id ? this.world.after(id) : [];
    if (missed === null) send({ kind: 'gap', data: {} });
    else missed.forEach(send);
    send({ kind: 'beat', data: { now_utc: this.world.now() } });
    this.world.streams.add(send);
    request.on('close', () => this.world.streams.delete(send));
  }

  async #file(response, path) {
    const name = path === '/' ? 'index.html' : path.replace(/^\/assets\//, '');
    if (path !== '/' && (!path.startsWith('/assets/') || normalize(name).startsWith('..'))) {
      throw new Refusal(404, 'No such path', `There is nothing at ${path}.`, 'Open the page at /.');
    }
    const body = await readFile(join(PAGE, normalize(name))).catch(() => {
      throw new Refusal(404, 'No such file', `The page has no file ${name}.`, 'Open the page at /.');
    });
    response.writeHead(200, { 'Content-Type': TYPES[extname(name)] ?? 'application/octet-stream', 'Content-Security-Policy': CSP, 'X-Content-Type-Options': 'nosniff' }).end(body);
  }
}

/** Plays the recorded run over and over, a step every two seconds. */
async function play(standin) {
  const { world } = standin;
  world.addJob();
  world.addJob({ hold: { heatsink_c_max: 40 }, state: 'held' });
  for (;;) {
    const [job] = [...world.jobs.values()].filter((one) => one.state === 'waiting');
    const number = (job ?? world.addJob()).job;
    world.begin(number);
    for (let at = 0; at < 30 && world.jobs.get(number).state === 'running'; at++) {
      await new Promise((done) => setTimeout(done, 2000));
      if (world.jobs.get(number).state === 'running') world.step(number);
    }
    if (world.jobs.get(number).state === 'running') world.end(number, 'meets');
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const standin = await new Standin().start(Number(process.argv[2] ?? 8800));
  process.stdout.write(`${standin.url}/#token=${standin.world.token}\n`);
  await play(standin);
}
