// The daemon itself on a virtual bench (everything invented), as one file of tests needs it.

import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { mkdtemp, mkdir, readFile, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));
const PROGRAM = process.env.WATTPROOF_BIN ?? join(ROOT, 'target/release/wattproof');

/** The first line of a process that fits; an error with all it said when it ends before. */
async function line(child, wanted) {
  let said = '';
  for await (const text of createInterface(child.stdout)) {
    said += `${text}\n`;
    const found = wanted.exec(text);
    if (found) return found;
  }
  throw new Error(`no line like ${wanted} from ${PROGRAM}: ${said}`);
}

export class Real {
  /** Starts both; `close` ends both. */
  async start() {
    this.folder = await mkdtemp(join(tmpdir(), 'wattproof-page-'));
    const [bench, plates] = [join(this.folder, 'bench.toml'), join(this.folder, 'plates')];
    await mkdir(plates);
    this.instruments = spawn(PROGRAM, ['virtual-bench', '--until-stdin-closes', '--write-bench', bench,
      '--write-nameplate', join(plates, 'amplifier.toml')], { stdio: ['pipe', 'pipe', 'inherit'] });
    await line(this.instruments, /^ready/);
    this.instruments.stdout.resume();
    this.daemon = spawn(PROGRAM, ['serve', '--bench', bench, '--scripts', join(ROOT, 'scripts'), '--nameplates', plates,
      '--out', join(this.folder, 'results'), '--state', join(this.folder, 'state'), '--listen', '127.0.0.1:0'],
    { stdio: ['ignore', 'pipe', 'ignore'] });
    [, this.url, this.token] = await line(this.daemon, /(http:\/\/[^/]+)\/#token=(\w+)/);
    this.daemon.stdout.resume();
    return this;
  }

  /** Asks the daemon; `body` makes it a POST. */
  async ask(path, body) {
    const headers = { authorization: `Bearer ${this.token}`, 'content-type': 'application/json' };
    const request = body === undefined ? { headers } : { method: 'POST', headers, body: JSON.stringify(body) };
    const answer = await fetch(`${this.url}/api/v1/${path}`, request);
    if (!answer.ok) throw new Error(`${path}: ${answer.status} ${await answer.text()}`);
    return answer.json();
  }

  /** Puts the shipped script for rated power into the queue. */
  async submit() {
    const { benches } = await this.ask('benches');
    return this.ask('jobs', { bench: benches[0].bench, script: { name: 'rated_power.rhai' }, nameplate: { name: 'amplifier.toml' } });
  }

  /** The rows of a CSV file of a run; none of its texts hold a comma or a quote in the columns that tests look at. */
  async rows(run, name) {
    const text = await readFile(join(this.folder, 'results', run, name), 'utf8');
    const [head, ...lines] = text.trim().split('\r\n').map((one) => one.split(','));
    return lines.map((cells) => Object.fromEntries(head.map((column, at) => [column, cells[at]])));
  }

  async json(run, name) {
    return JSON.parse(await readFile(join(this.folder, 'results', run, name), 'utf8'));
  }

  /** Kills the daemon as a crash would. */
  async kill() {
    const gone = once(this.daemon, 'exit');
    this.daemon.kill('SIGKILL');
    await gone;
  }

  async close() {
    if (this.daemon.exitCode === null && this.daemon.signalCode === null) {
      const gone = once(this.daemon, 'exit');
      this.daemon.kill('SIGTERM');
      await gone;
    }
    const gone = once(this.instruments, 'exit');
    this.instruments.stdin.end();
    await gone;
    await rm(this.folder, { recursive: true });
  }
}
