import { spawnSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { cpus, tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { systemClock } from '../../dist/base/clock.js';
import type { Bench, Block } from '../../dist/bench/bench.js';
import { readCapture } from '../../dist/capture/parquet.js';
import { screen } from '../../dist/capture/screen.js';
import { assemble } from '../../dist/run/assemble.js';
import { attemptItem } from '../../dist/run/attempt.js';
import { prepare } from '../../dist/run/documents.js';
import { startContext } from '../../dist/scoring/context.js';
import { scoreStage } from '../../dist/scoring/stage.js';

const MAIN = fileURLToPath(new URL('../../dist/cli/main.js', import.meta.url));
const SERIAL = 'H12-26-04711';

/** One line of the report: what was measured, the figure, what is aimed at. */
interface Figure {
  readonly what: string;
  readonly figure: string;
  readonly aim: string;
}

const median = (values: readonly number[]): number =>
  [...values].sort((a, b) => a - b)[Math.floor(values.length / 2)] ?? NaN;

/** Median wall time of a new process, ms. */
function processTime(args: readonly string[], times = 15): number {
  const taken: number[] = [];
  for (let i = 0; i < times; i += 1) {
    const begun = performance.now();
    const { status, stderr } = spawnSync(process.execPath, args, { encoding: 'utf8' });
    if (status !== 0)
      throw new Error(`node ${args.join(' ')} ended with ${String(status)}: ${stderr}`);
    taken.push(performance.now() - begun);
  }
  return median(taken);
}

/** s of the closing zero: the time a true bench would leave for scoring the stage before it. */
const CLOSING = 3;

/**
 * Notes when the last sample of the run was handed out. The last stage takes its true time: on the
 * fast bench the scores of minutes of samples would still be waiting at its end.
 */
function watched(bench: Bench, onBlock: (block: Block) => void): Bench {
  async function* each(blocks: AsyncIterable<Block>): AsyncGenerator<Block> {
    for await (const block of blocks) {
      onBlock(block);
      yield block;
    }
  }
  async function* last(blocks: AsyncIterable<Block>): AsyncGenerator<Block> {
    await systemClock.wait(CLOSING * 1000);
    yield* each(blocks);
  }
  let powered = false;
  return {
    id: bench.id,
    simulated: bench.simulated,
    ratings: bench.ratings,
    identify: () => bench.identify(),
    interlocks: () => bench.interlocks(),
    environment: () => bench.environment(),
    observe: (duration, settings) =>
      powered ? last(bench.observe(duration, settings)) : each(bench.observe(duration, settings)),
    energize: async (permit, task, ceiling) => {
      powered = true;
      const power = await bench.energize(permit, task, ceiling);
      return {
        play: (load) => each(power.play(load)),
        feed: () => {
          power.feed();
        },
      };
    },
    makeSafe: (how) => bench.makeSafe(how),
    close: () => bench.close(),
  };
}

interface AttemptTimes {
  readonly figures: readonly Figure[];
  readonly folder: string;
}

/** One whole attempt on the simulated bench, in this process, with the scoring thread. */
async function attemptTimes(root: string, keys: string): Promise<AttemptTimes> {
  const documents = prepare({ serial: SERIAL });
  const at = { last: 0, decided: 0, sealed: 0 };
  let samples = 0;
  const parts = await assemble({
    documents,
    serial: SERIAL,
    root,
    keys,
    passphrase: undefined,
    faults: [],
    pace: 'fast',
    watch: (line) => {
      if (line.includes(' decided ')) at.decided = performance.now();
      if (line.includes(' sealed ')) at.sealed = performance.now();
    },
  });
  const bench = async (attempt: number): Promise<Bench> =>
    watched(await parts.bench(attempt), (block) => {
      at.last = performance.now();
      samples += block.samples.torque?.length ?? 0;
    });
  const order = {
    serial: SERIAL,
    operator: 'speed',
    documents,
    stop: new AbortController().signal,
    arrange: (instruction: string) => Promise.reject(new Error(`nobody to ${instruction}`)),
    acknowledge: (
      warning: { readonly hazard: 'crushing' | 'sudden-torque'; readonly issue: number },
      task: { readonly serial: string; readonly attempt: number },
    ) =>
      Promise.resolve({
        hazard: warning.hazard,
        by: 'speed',
        at: systemClock.now(),
        serial: task.serial,
        attempt: task.attempt,
        language: 'en',
        textIssue: warning.issue,
        means: 'command-line option, simulated bench' as const,
      }),
  };
  const begun = performance.now();
  const run = attemptItem(order, { ...parts, bench });
  let next = await run.next();
  while (next.done !== true) next = await run.next();
  const end = performance.now();
  parts.ledger.close();
  const seconds = samples / documents.station.sampleRate;
  const ms = (value: number): string => `${value.toFixed(0)} ms`;
  return {
    folder: next.value.folder,
    figures: [
      { what: 'last sample to verdict', figure: ms(at.decided - at.last), aim: '≤ 150 ms' },
      { what: 'last sample to sealed record', figure: ms(at.sealed - at.last), aim: '' },
      { what: 'last sample to entered in the ledger', figure: ms(end - at.last), aim: '≤ 500 ms' },
      {
        what: 'whole attempt, scoring beside it',
        figure: `${(seconds / ((end - begun) / 1000 - CLOSING)).toFixed(0)} × real time (${seconds.toFixed(0)} s of samples)`,
        aim: '',
      },
    ],
  };
}

/** The simulated bench alone, on one thread. */
async function benchSpeed(): Promise<Figure> {
  const documents = prepare({ serial: SERIAL });
  const parts = await import('../../dist/bench/simulated.js');
  const permits = await import('../../dist/bench/permit.js');
  const { station, procedure } = documents;
  const bench = parts.simulatedBench({
    station,
    serial: SERIAL,
    attempt: 1,
    faults: [],
    clock: systemClock,
    pace: 'fast',
  });
  const task = { bench: bench.id, serial: SERIAL, attempt: 1, procedureDigest: procedure.digest };
  const now = systemClock.now();
  const acknowledged = (['crushing', 'sudden-torque'] as const).map((hazard) => ({
    hazard,
    by: 'speed',
    at: now,
    serial: SERIAL,
    attempt: 1,
    language: 'en',
    textIssue: 1,
    means: 'command-line option, simulated bench' as const,
  }));
  const permit = permits.issuePermit(task, [], acknowledged, now);
  if ('outstanding' in permit) throw new Error('no permit');
  const power = await bench.energize(permit, task, procedure.ceiling);
  const { compile } = await import('../../dist/pattern/waveform.js');
  const stage = procedure.stages.find((s) => s.id === 'field');
  if (stage === undefined) throw new Error('no stage "field"');
  const waveform = compile(stage.pattern, stage.updates);
  const begun = performance.now();
  let samples = 0;
  for (let i = 0; i < 3; i += 1) {
    for await (const block of power.play({ waveform, settings: stage.takes[0] })) {
      samples += block.samples.torque?.length ?? 0;
      power.feed();
    }
  }
  const seconds = (performance.now() - begun) / 1000;
  await bench.makeSafe('off');
  const times = samples / station.sampleRate / seconds;
  return {
    what: 'simulated bench alone, one core',
    figure: `${times.toFixed(0)} × real time`,
    aim: '≥ 40 ×',
  };
}

/** Screening and scoring of every stage of a stored capture, on one core. */
async function scoringSpeed(folder: string): Promise<Figure> {
  const { procedure, station } = prepare({ serial: SERIAL });
  const { captures } = await readCapture(join(folder, 'capture.parquet'));
  let context = startContext(procedure, station);
  let seconds = 0;
  const begun = performance.now();
  for (const capture of captures) {
    const stage = procedure.stages.find((s) => s.id === capture.stage);
    if (stage === undefined) throw new Error(`no stage "${capture.stage}"`);
    const { torqueRange, currentRange } = station;
    const screening = screen(capture, { torqueRange, currentRange, updates: stage.updates });
    if (!screening.fit) throw new Error(`stage "${stage.id}" is not fit to be scored`);
    context = scoreStage(screening.capture, stage, context).context;
    for (const take of capture.takes) seconds += take.expected / take.rate;
  }
  const taken = (performance.now() - begun) / 1000;
  return {
    what: 'screening and scoring, one core, first run',
    figure: `${(seconds / taken).toFixed(0)} × real time`,
    aim: '≥ 100 ×',
  };
}

async function main(): Promise<void> {
  const folder = mkdtempSync(join(tmpdir(), 'stallmark-speed-'));
  const root = join(folder, 'records');
  const keys = join(folder, 'keys');
  mkdirSync(root);
  try {
    const { figures, folder: record } = await attemptTimes(root, keys);
    const scoring = await scoringSpeed(record);
    const bench = await benchSpeed();
    const bare = processTime(['-e', '0']);
    const check = processTime([MAIN, 'check']);
    const verify = processTime([MAIN, 'verify', record, '--keys', keys]);
    const ratio = (ms: number): string => `${ms.toFixed(0)} ms, ${(ms / bare).toFixed(1)} × bare`;
    const rows: readonly Figure[] = [
      ...figures,
      scoring,
      bench,
      { what: 'node -e 0', figure: `${bare.toFixed(0)} ms`, aim: '' },
      { what: 'stallmark check', figure: ratio(check), aim: '≤ 2 × bare' },
      { what: 'stallmark verify, one record', figure: ratio(verify), aim: '' },
    ];
    const table = [
      '| what | measured | aim |',
      '| - | - | - |',
      ...rows.map((r) => `| ${r.what} | ${r.figure} | ${r.aim} |`),
    ].join('\n');
    process.stdout.write(`${table}\n`);
    if (process.argv[2] !== undefined) {
      const machine = `${String(cpus().length)} × ${cpus()[0]?.model ?? 'unknown'}, Node ${process.version}`;
      writeFileSync(process.argv[2], `# Speed\n\nAs measured on ${machine}.\n\n${table}\n`);
    }
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

await main();
