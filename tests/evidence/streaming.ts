/**
 * Measures what the built program needs to take samples in over a link, to watch them and to feed the
 * dead-man with each block, while it scores the capture before in its scoring thread. The far side is
 * `tests/support/streaming-adapter.mjs`, a process of its own on the same computer. Needs the built
 * program; writes reports/evidence/streaming.md.
 *
 * Usage: streaming.ts [SECONDS_AT_100k SECONDS_AT_1M]
 */
import { mkdtempSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { loadavg, tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { performance, type EventLoopUtilization } from 'node:perf_hooks';
import { systemClock } from '../../dist/base/clock.js';
import { StallmarkError } from '../../dist/base/error.js';
import { hertz, newtonMetre, second } from '../../dist/base/units.js';
import { CHANNELS, type Bench, type Block } from '../../dist/bench/bench.js';
import { issuePermit, type Acknowledgement } from '../../dist/bench/permit.js';
import { CaptureFile, readCapture } from '../../dist/capture/parquet.js';
import type { Capture } from '../../dist/capture/capture.js';
import type { Procedure, Stage } from '../../dist/procedure/procedure.js';
import { readStation } from '../../dist/procedure/schema.js';
import { openRig, type LinkedStation } from '../../dist/rig/open-rig.js';
import { prepare } from '../../dist/run/documents.js';
import { stageJudge } from '../../dist/run/open-scorer.js';
import { perform } from '../../dist/run/runner.js';
import type { Closed, Scorer, StageOutcome } from '../../dist/run/scorer.js';
import { workerScorer } from '../../dist/run/scoring-worker.js';
import { wireText } from '../support/linked-station.js';
import { shippedDocuments } from '../support/simulated-run.js';
import { headOf, publish, shown, table } from './report.js';

const [, , slow = '60', fast = '10'] = process.argv;
const SERIAL = 'H12-26-04711';
const ADAPTER = fileURLToPath(new URL('../support/streaming-adapter.mjs', import.meta.url));
/** s of the takes that are as short as those of procedures. */
const SHORT = 2;
/** s between two blocks. */
const BLOCK = 0.02;
const AIM = { share: 10, verdict: 150 } as const;

/** What the adapter says of a take that it has sent. */
interface Sent {
  readonly sent: number;
  readonly blocks: number;
  /** ns of CLOCK_MONOTONIC at which its last block was handed to the system. */
  readonly at: bigint;
  readonly feeds: number;
  /** ms between two feeds, as they arrived. */
  readonly longest: number;
  /** ms for which a thread that only waits was kept from a processor meanwhile. */
  readonly heldUp: number;
  readonly trips: number;
}

/** Takes in what the adapter wrote down, a line for each take. */
function sentOf(file: string): readonly Sent[] {
  const lines = readFileSync(file, 'utf8').split('\n');
  return lines
    .filter((line) => line !== '')
    .map((line) => {
      const said = JSON.parse(line) as Record<string, number> & { at_ns: string };
      const { sent = NaN, blocks = NaN, feeds = NaN, trips = NaN } = said;
      const { longest_ms: longest = NaN, heldUp_ms: heldUp = NaN } = said;
      return { sent, blocks, at: BigInt(said.at_ns), feeds, longest, heldUp, trips };
    });
}

/** ns for which the main thread of this process had a processor. */
const mainThread = (): bigint =>
  BigInt(
    readFileSync(`/proc/self/task/${process.pid}/schedstat`, 'utf8').split(' ')[0] ?? Number.NaN,
  );

/** What this process has used up to a moment. */
interface Used {
  readonly at: bigint;
  /** µs */
  readonly process: number;
  /** ns */
  readonly main: bigint;
  readonly loop: EventLoopUtilization;
  /** bytes */
  readonly resident: number;
}

function usedByNow(): Used {
  const { user, system } = process.cpuUsage();
  return {
    ...{ at: process.hrtime.bigint(), process: user + system, main: mainThread() },
    ...{ loop: performance.eventLoopUtilization(), resident: process.memoryUsage.rss() },
  };
}

/** Counts what arrives of one take, and what it costs. */
class Arriving {
  samples = 0;
  blocks = 0;
  /** Samples that were missing before a block. */
  lost = 0;
  /** Blocks whose samples are not those of their number. */
  strange = 0;
  feeds = 0;
  /** ns between two feeds. */
  longest = 0n;
  begun: Used | undefined;
  ended: Used | undefined;
  #fed: bigint | undefined;

  add({ start, samples }: Block): void {
    this.begun ??= usedByNow();
    this.lost += start - this.samples;
    const values = samples.winding;
    if (values?.[0] !== 20 + (this.blocks % 4096) / 1024) this.strange += 1;
    this.samples = start + (values?.length ?? 0);
    this.blocks += 1;
  }

  feed(): void {
    const at = process.hrtime.bigint();
    if (this.#fed !== undefined && at - this.#fed > this.longest) this.longest = at - this.#fed;
    this.#fed = at;
    this.feeds += 1;
  }

  /** After the last block was watched, recorded and answered by a feed. */
  end(): void {
    this.ended = usedByNow();
  }
}

/** The bench, with a tally of each take. */
function counted(inner: Bench, takes: Arriving[]): Bench {
  return {
    ...{ id: inner.id, simulated: inner.simulated, ratings: inner.ratings },
    identify: () => inner.identify(),
    interlocks: () => inner.interlocks(),
    environment: () => inner.environment(),
    observe: (duration, settings) => inner.observe(duration, settings),
    makeSafe: (how) => inner.makeSafe(how),
    close: () => inner.close(),
    energize: async (...asked) => {
      const power = await inner.energize(...asked);
      return {
        feed: () => {
          power.feed();
          takes.at(-1)?.feed();
        },
        play: async function* (load) {
          const take = new Arriving();
          takes.push(take);
          for await (const block of power.play(load)) {
            take.add(block);
            yield block;
          }
          take.end();
        },
      };
    },
  };
}

/** When a scorer had the captures that it was given, and when its file was on the disk. */
interface Scored {
  readonly outcomes: { readonly outcome: StageOutcome; readonly at: bigint }[];
  closed: bigint;
}

function timed(inner: Scorer, into: Scored): Scorer {
  return {
    score: async (capture: Capture) => {
      const outcome = await inner.score(capture);
      const at = process.hrtime.bigint();
      if (capture.stage !== 'rest') into.outcomes.push({ outcome, at });
      return outcome;
    },
    close: async (): Promise<Closed> => {
      const closed = await inner.close();
      into.closed = process.hrtime.bigint();
      return closed;
    },
    abandon: () => inner.abandon(),
  };
}

/**
 * A second without power, as every procedure begins, then a sine of 5 Hz of so many seconds for each
 * stage, read for its distortion.
 */
function procedureOf(seconds: readonly number[]): Procedure {
  const { procedure } = prepare({ serial: SERIAL });
  const purity = procedure.stages.find(({ id }) => id === 'purity');
  if (purity === undefined) throw new Error('there is no stage purity');
  const rest: Stage = {
    ...{ ...purity, id: 'rest', power: 'off', gates: [], reads: [] },
    pattern: { kind: 'hold', level: newtonMetre(0), duration: second(1) },
  };
  const sines = seconds.map((duration, index): Stage => ({
    ...{ ...purity, id: stageOf(index), gates: [] },
    pattern: {
      ...{ kind: 'sine', amplitude: newtonMetre(3), frequency: hertz(5) },
      duration: second(duration),
    },
  }));
  return { ...procedure, stages: [rest, ...sines] };
}

const stageOf = (index: number): string => `take-${index + 1}`;

/** A bench whose every role is the adapter that streams. */
function stationOf(rate: number, file: string): LinkedStation {
  const command = JSON.stringify([process.execPath, ADAPTER, String(rate), file]);
  const text = wireText(`command: ${command}`)
    .replace('sample-rate: 20 kHz', `sample-rate: ${rate / 1000} kHz`)
    .replace(', sound: 20 Pa', '');
  const station = readStation(text, 'streaming.yaml');
  if (station.links === undefined) throw new Error('the bench has no links');
  return { ...station, links: station.links };
}

/** Takes of the same rate one after the other, each scored while the next one streams. */
interface Plan {
  readonly rate: number;
  readonly seconds: readonly number[];
}

/** One run of them. */
interface Streamed extends Plan {
  readonly arrived: readonly Arriving[];
  readonly sent: readonly Sent[];
  readonly scored: Scored;
  /** bytes of the capture file, and what scoring the first take anew takes, s. */
  readonly file: number;
  readonly apart: Apart;
  /** Runs that ended early, before a whole one. */
  readonly early: readonly Early[];
}

/** A run that was broken off, by the dead-man or by whoever watched the torque. */
interface Early {
  readonly code: string;
  readonly take: Sent | undefined;
}

/** Runs that may end early before nothing is measured: a busy computer starves whom it likes. */
const TRIES = 10;

async function untilWhole(plan: Plan): Promise<Streamed> {
  const early: Early[] = [];
  for (let tries = 0; tries < TRIES; tries += 1) {
    const run = await streamed(plan);
    if (!('code' in run)) return { ...run, early };
    early.push(run);
    process.stdout.write(`ended early: ${earlyWords([run])}\n`);
  }
  throw new Error(`${TRIES} runs ended early`);
}

async function streamed({ rate, seconds }: Plan): Promise<Omit<Streamed, 'early'> | Early> {
  const folder = mkdtempSync(join(tmpdir(), 'stallmark-streaming-'));
  try {
    const [told, file] = [join(folder, 'told.jsonl'), join(folder, 'capture.parquet')];
    writeFileSync(told, '');
    const procedure = procedureOf(seconds);
    const station = stationOf(rate, told);
    const arrived: Arriving[] = [];
    const bench = counted(
      await openRig(station, { serial: SERIAL, attempt: 1 }, systemClock),
      arrived,
    );
    const scored: Scored = { outcomes: [], closed: 0n };
    const setup = { procedure, station, ambient: 23, file, metadata: {} };
    try {
      await played(bench, procedure, timed(workerScorer(setup), scored));
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      return { code: error.problems[0].code, take: sentOf(told).at(-1) };
    } finally {
      await bench.close();
    }
    const apart = await scoredApart(file, procedure, station);
    return {
      ...{ rate, seconds, arrived, scored, apart },
      ...{ sent: sentOf(told).slice(1), file: statSync(file).size }, // without that of rest
    };
  } finally {
    rmSync(folder, { recursive: true });
  }
}

async function played(bench: Bench, procedure: Procedure, scorer: Scorer): Promise<void> {
  const task = { bench: bench.id, serial: SERIAL, attempt: 1, procedureDigest: procedure.digest };
  const replies = procedure.warnings.map(({ hazard, issue }): Acknowledgement => ({
    ...{ hazard, by: 'A. Operator', at: systemClock.now(), serial: SERIAL, attempt: 1 },
    ...{ language: 'en', textIssue: issue, means: 'command-line option, simulated bench' },
  }));
  const permit = issuePermit(task, [], replies, systemClock.now());
  if ('outstanding' in permit) throw new Error('no permit');
  const run = perform({
    ...{ task, procedure, bench, scorer, permit, clock: systemClock },
    confirmReady: () => Promise.resolve(),
    arrange: () => Promise.reject(new Error('nobody is asked')),
    stop: new AbortController().signal,
    note: () => undefined,
  });
  let isWhole = false;
  try {
    while ((await run.next()).done !== true);
    isWhole = true;
  } finally {
    if (!isWhole) await scorer.abandon();
  }
  await scorer.close();
}

/** The parts of scoring a take, each alone in this thread with nothing beside it, s. */
interface Apart {
  readonly store: number;
  readonly judge: number;
}

/** Stores and scores the first capture of a file anew. */
async function scoredApart(
  file: string,
  procedure: Procedure,
  station: LinkedStation,
): Promise<Apart> {
  const [capture] = (await readCapture(file, (stage) => stage === stageOf(0))).captures;
  if (capture === undefined) throw new Error('the capture is not in its file');
  const begun = performance.now();
  stageJudge({ procedure, station, ambient: 23 }).judge(capture);
  const judged = performance.now();
  const copy = await CaptureFile.create(`${file}.again`, {});
  await copy.append(capture);
  await copy.close();
  return { judge: (judged - begun) / 1000, store: (performance.now() - judged) / 1000 };
}

// ————— report —————

const percent = (share: number): string => `${shown(100 * share, 3)} %`;
const ms = (ns: bigint | number): string => `${(Number(ns) / 1e6).toFixed(1)} ms`;
const sec = (value: number): string => `${value.toFixed(2)} s`;
const megabytes = (bytes: number): string => `${(bytes / 2 ** 20).toFixed(0)} MiB`;
const inRate = (rate: number): string => (rate < 1e6 ? `${rate / 1e3} kS/s` : `${rate / 1e6} MS/s`);
const met = (isMet: boolean): string => (isMet ? 'met' : 'missed');

/** Names a take for people, with its sizes in a row each. */
function streamRows(run: Streamed): readonly (readonly string[])[] {
  const index = run.seconds.length - 1;
  const [take, sent] = [run.arrived[index], run.sent[index]];
  if (take?.begun === undefined || take.ended === undefined || sent === undefined)
    throw new Error('the take was not measured');
  const { begun, ended } = take;
  const wall = Number(ended.at - begun.at);
  const main = Number(ended.main - begun.main) / wall;
  const all = (1000 * (ended.process - begun.process)) / wall;
  const loop = performance.eventLoopUtilization(ended.loop, begun.loop).utilization;
  const lost = take.lost + sent.sent - take.samples;
  const isWhole = lost === 0 && take.strange === 0 && take.blocks === sent.blocks;
  const expected = Math.round((run.seconds[index] ?? NaN) * run.rate);
  const isDue = sent.sent === expected;
  const aim = `≤ ${AIM.share} % at 100 kS/s`;
  const share = run.rate > 100_000 ? '' : met(100 * main <= AIM.share);
  const earlier = run.scored.outcomes[0];
  const early = run.early.length;
  const until = earlier === undefined ? NaN : Number(earlier.at - begun.at) / 1e9;
  const rows: (readonly [string, string, string, string])[] = [
    ['samples sent / arrived, each of 5 channels', `${sent.sent} / ${take.samples}`, '', ''],
    ['blocks sent / arrived', `${sent.blocks} / ${take.blocks}`, '', ''],
    [
      'samples lost, blocks out of place',
      `${lost}, ${take.strange}`,
      'no gap',
      met(isWhole && isDue),
    ],
    ['main thread, time on a processor', percent(main), aim, share],
    ['event loop busy', percent(loop), '', ''],
    ['whole process, scoring thread with it', percent(all), '', ''],
    ['scoring of the take before went on for', sec(until), '', ''],
    ['memory at the first block', megabytes(begun.resident), '', ''],
    ['memory at the last block', megabytes(ended.resident), '', ''],
    ['feeds given / counted by the adapter', `${take.feeds} / ${sent.feeds}`, '', ''],
    ['longest between two feeds, as given', ms(take.longest), '< 60 ms', ''],
    ['longest between two feeds, as they arrived', `${sent.longest.toFixed(1)} ms`, '< 60 ms', ''],
    ['a thread that only waits was held up for', `${sent.heldUp.toFixed(1)} ms`, '', ''],
    ['runs that ended early before this one', earlyWords(run.early), '0', met(early === 0)],
  ];
  return rows.map(([what, ...rest]) => [inRate(run.rate), what, ...rest]);
}

function earlyWords(early: readonly Early[]): string {
  if (early.length === 0) return '0';
  const each = early.map(({ code, take }) => {
    if (take === undefined) return code;
    const { blocks, longest, heldUp } = take;
    return `${code} after ${blocks} blocks, ${longest.toFixed(0)} ms between feeds, the waiting thread held up for ${heldUp.toFixed(0)} ms`;
  });
  return `${early.length}: ${each.join('; ')}`;
}

/** From the last sample of each take to its score, and of the last one to the file on the disk. */
function verdictRows(run: Streamed): readonly (readonly string[])[] {
  return run.seconds.map((seconds, index) => {
    const [sent, scored, take] = [run.sent[index], run.scored.outcomes[index], run.arrived[index]];
    if (sent === undefined || scored === undefined || take?.ended === undefined)
      throw new Error('the take was not scored');
    const isLast = index === run.seconds.length - 1;
    const after = scored.at - sent.at;
    return [
      inRate(run.rate),
      `${seconds} s${isLast ? ', the last' : ', beside the next'}`,
      ms(take.ended.at - sent.at),
      ms(after),
      isLast ? ms(run.scored.closed - sent.at) : '–',
      isLast ? met(Number(after) / 1e6 <= AIM.verdict) : '',
      wordsOf(scored.outcome),
    ];
  });
}

function wordsOf({ gates, scores }: StageOutcome): string {
  const broken = gates.filter(({ holds }) => !holds).map(({ id }) => id);
  const values = scores.map(({ characteristic, outcome }) =>
    outcome.kind === 'measured'
      ? `${characteristic} ${shown(outcome.value)}`
      : `${characteristic}: ${outcome.reason}`,
  );
  const held = broken.length === 0 ? 'all gates hold' : `does not hold: ${broken.join(', ')}`;
  return [held, ...values].join('; ');
}

function apartRow({ rate, seconds, apart }: Streamed): readonly string[] {
  const [of = NaN] = seconds;
  const whole = apart.judge + apart.store;
  return [
    ...[inRate(rate), `${of} s`, sec(apart.judge), sec(apart.store)],
    `${shown(of / whole, 2)} ×`,
  ];
}

/** The short ones first, so that memory is not that of the long ones. */
const PLANS: readonly Plan[] = [
  { rate: 100_000, seconds: [SHORT, SHORT] },
  { rate: 100_000, seconds: [Number(slow) / 5, Number(slow)] },
  { rate: 1_000_000, seconds: [SHORT, SHORT] },
  { rate: 1_000_000, seconds: [Number(fast) / 5, Number(fast)] },
];

async function main(): Promise<void> {
  const begun = loadavg()[0] ?? NaN;
  const runs: Streamed[] = [];
  for (const plan of PLANS) {
    process.stdout.write(`${inRate(plan.rate)}: ${plan.seconds.join(' s, ')} s\n`);
    runs.push(await untilWhole(plan));
  }
  const long = runs.filter((_, index) => index % 2 === 1);
  const head = headOf(
    {
      title: 'Streaming',
      command: 'npm run evidence:bench',
      runs: [
        `Takes of ${slow} s at 100 kS/s and of ${fast} s at 1 MS/s, in blocks of ${1000 * BLOCK} ms, each behind a take of a fifth of its length whose capture is stored and scored in the scoring thread meanwhile; and two takes of ${SHORT} s`,
        `Channels ${CHANNELS.filter((one) => one !== 'sound').join(', ')} as binary32. A bench of links is not opened without supply and winding, and no capture without them is scored, so they are streamed too`,
        'Adapter and runner are two processes that share the cores of this computer; their times are of one clock, CLOCK_MONOTONIC',
        `Load of the computer before the first take ${begun.toFixed(1)}; what else ran on it is in every figure`,
      ],
    },
    shippedDocuments(),
  );
  publish('streaming', `${head}\n${bodyOf(long, runs)}\n`);
}

function bodyOf(long: readonly Streamed[], runs: readonly Streamed[]): string {
  const whole = ['rate', 'what', 'measured', 'aim', ''];
  const verdicts = ['rate', 'take', 'recorded', 'scored and stored', 'file on the disk'];
  return [
    table(whole, long.flatMap(streamRows)),
    '',
    'Shares are of one core, from the first block of the long take to its last.',
    '',
    '## From the last sample to the score',
    '',
    `Aim: ${AIM.verdict} ms from the last sample, as the adapter handed it to the system, to the verdict.`,
    '',
    table([...verdicts, 'aim', 'outcome'], runs.flatMap(verdictRows)),
    '',
    '## What scoring takes',
    '',
    'The first take of each run once more, alone in one thread. The true scorer takes both rates as they are; but a take is stored and scored whole, after its last sample, so the time to its score grows with its length, and most of it is storing.',
    '',
    table(
      ['rate', 'take', 'screen and score', 'store as Parquet', 'of real time'],
      runs.map(apartRow),
    ),
  ].join('\n');
}

await main();
