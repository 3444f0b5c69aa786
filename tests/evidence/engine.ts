/**
 * Plays many simulated items over all cores: progress on the terminal, results kept line by line
 * outside the checkout, so that a campaign can be interrupted, taken up again and reported in part.
 */
import { type ChildProcess, fork } from 'node:child_process';
import {
  appendFileSync,
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  truncateSync,
} from 'node:fs';
import { availableParallelism, tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { canonicalJson, sha256 } from '../../src/base/canonical.js';
import { systemClock } from '../../src/base/clock.js';
import type { RunDocuments } from '../support/simulated-run.js';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));
const CHILD = fileURLToPath(new URL('./child.ts', import.meta.url));

/** Folders of src that no result depends on: what is decided is decided from what is kept. */
const APART = [
  'certificate',
  'cli',
  'decision',
  'identity',
  'ledger',
  'quality',
  'readiness',
  'web',
];
/** What does the jobs. */
const RUNNING = [
  'evidence/fault-list.ts',
  'evidence/jobs.ts',
  'evidence/kept.ts',
  'support/simulated-run.ts',
];
/** What reckons the truth of an item. */
const RECKONING = [
  'evidence/heat-reference.ts',
  'evidence/ideal-chain.ts',
  'evidence/truth-rows.ts',
  'support/lcg.ts',
  'support/reference-shaft.ts',
  'support/reference.ts',
];

/** Every file that may change a result of a campaign. */
function filesBehind(campaign: string): readonly string[] {
  const all = readdirSync(join(ROOT, 'src'), { recursive: true, encoding: 'utf8' });
  const sources = all
    .filter((file) => /\.(?:ts|wasm)$/u.test(file) && !APART.some((f) => file.startsWith(`${f}/`)))
    .map((file) => join('src', file));
  const doing = campaign === 'truth' ? RECKONING : RUNNING;
  return [...sources, ...doing.map((file) => join('tests', file))].sort();
}

/** Digest of everything that may change a result: program, procedure, bench. Limits may not. */
export function keyOf({ procedure, station }: RunDocuments, campaign: string): string {
  const texts = filesBehind(campaign).map((file) => [file, sha256(readFileSync(join(ROOT, file)))]);
  const stand = [station.digest, station.torqueRange, station.currentRange, station.shunt];
  return sha256(canonicalJson([texts, procedure.digest, stand])).slice(0, 16);
}

/** Jobs of one kind, by name; each name belongs to one result and to no other. */
export interface Campaign {
  readonly name: string;
  readonly key: string;
  readonly jobs: readonly string[];
}

/** One line of a work file. */
interface Line {
  readonly job: string;
  readonly kept: unknown;
}

/** Where the results of a campaign are kept. */
export function workFile({ name, key }: Pick<Campaign, 'name' | 'key'>): string {
  return join(tmpdir(), 'stallmark-evidence', `${name}-${key}.jsonl`);
}

/** Reads what a campaign has so far; a last line that was torn off by an interruption is cut away. */
export function resultsOf(campaign: Pick<Campaign, 'name' | 'key'>): ReadonlyMap<string, unknown> {
  const file = workFile(campaign);
  if (!existsSync(file)) return new Map();
  const text = readFileSync(file);
  const whole = text.lastIndexOf('\n') + 1;
  if (whole < text.length) truncateSync(file, whole);
  const lines = text.subarray(0, whole).toString('utf8').split('\n').slice(0, -1);
  return new Map(
    lines.map((line) => {
      const { job, kept } = JSON.parse(line) as Line; // written by `keep` below
      return [job, kept];
    }),
  );
}

function keep(campaign: Campaign, line: Line): void {
  appendFileSync(workFile(campaign), `${JSON.stringify(line)}\n`);
}

/** What a child answers. */
export type Answer =
  | { readonly kind: 'ready'; readonly key: string }
  | { readonly kind: 'done'; readonly job: string; readonly kept: unknown }
  | { readonly kind: 'broken'; readonly job: string; readonly stack: string };

/** Says how far a campaign is, on one line of the terminal, or every 25 jobs where there is none. */
class Progress {
  private readonly begun = systemClock.monotonic();
  private done = 0;

  constructor(
    private readonly name: string,
    private readonly kept: number,
    private readonly all: number,
  ) {}

  tell(): void {
    this.done += 1;
    const seconds = (systemClock.monotonic() - this.begun) / 1000;
    const rate = this.done / seconds;
    const left = (this.all - this.kept - this.done) / rate;
    const text = `${this.name}: ${this.kept + this.done} of ${this.all}, ${rate.toFixed(2)} a second, ${clockTime(left)} left`;
    if (process.stderr.isTTY) process.stderr.write(`\r\x1b[K${text}`);
    else if (this.done % 25 === 0) process.stderr.write(`${text}\n`);
  }

  end(): void {
    const seconds = (systemClock.monotonic() - this.begun) / 1000;
    if (process.stderr.isTTY) process.stderr.write('\r\x1b[K');
    const made = `${this.done} of ${this.all} run in ${clockTime(seconds)}`;
    process.stderr.write(`${this.name}: ${made}, ${this.kept} were kept from before\n`);
  }
}

function clockTime(seconds: number): string {
  const whole = Math.round(seconds);
  const [h, m, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  return h > 0 ? `${h} h ${m} min` : m > 0 ? `${m} min ${s} s` : `${s} s`;
}

/**
 * Runs the jobs of a campaign that have no result yet, one at a time in each child.
 *
 * @returns Every result, in the order of the jobs. Ctrl-C ends the children and the program with
 * status 130; what was finished is kept.
 * @throws plain Error when a job breaks in a way that no bench and no item explains.
 */
export async function gather(campaign: Campaign): Promise<ReadonlyMap<string, unknown>> {
  const before = resultsOf(campaign);
  const open = campaign.jobs.filter((job) => !before.has(job));
  mkdirSync(join(tmpdir(), 'stallmark-evidence'), { recursive: true });
  const progress = new Progress(
    campaign.name,
    campaign.jobs.length - open.length,
    campaign.jobs.length,
  );
  const children: ChildProcess[] = [];
  const stop = (): void => {
    for (const child of children) child.kill();
    process.stderr.write(`\n${campaign.name}: interrupted; the same command goes on from here\n`);
    process.exit(130);
  };
  process.once('SIGINT', stop);
  const workers = Math.min(availableParallelism(), open.length);
  try {
    await Promise.all(
      Array.from({ length: workers }, () => serveChild(campaign, open, children, progress)),
    );
  } finally {
    process.off('SIGINT', stop);
    for (const child of children) child.kill();
  }
  if (workers > 0) progress.end();
  return inOrder(campaign);
}

/** The results there are, in the order of the jobs, whichever was finished first. */
export function inOrder(campaign: Campaign): ReadonlyMap<string, unknown> {
  const found = resultsOf(campaign);
  return new Map(
    campaign.jobs.filter((job) => found.has(job)).map((job) => [job, found.get(job)] as const),
  );
}

/** Starts a child and hands it jobs until none is left. */
function serveChild(
  campaign: Campaign,
  open: string[],
  children: ChildProcess[],
  progress: Progress,
): Promise<void> {
  return new Promise((resolve, reject) => {
    const child = fork(CHILD, [campaign.name], { stdio: ['ignore', 'inherit', 'inherit', 'ipc'] });
    children.push(child);
    let isDone = false;
    const next = (): void => {
      const job = open.shift();
      isDone = job === undefined;
      if (job === undefined) child.disconnect();
      else child.send(job);
    };
    child.on('message', (message) => {
      const answer = message as Answer; // sent by child.ts
      if (answer.kind === 'broken') {
        reject(new Error(`job ${answer.job} broke: ${answer.stack}`));
      } else if (answer.kind === 'ready' && answer.key !== campaign.key) {
        reject(new Error('the program changed while the campaign began; begin again'));
      } else {
        if (answer.kind === 'done') {
          keep(campaign, { job: answer.job, kept: answer.kept });
          progress.tell();
        }
        next();
      }
    });
    child.once('error', reject);
    child.once('exit', (code, signal) => {
      if (isDone) resolve();
      else reject(new Error(`a child ended with ${String(signal ?? code)}`));
    });
  });
}
