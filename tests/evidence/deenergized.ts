/**
 * Measures how long torque outlives whatever goes wrong: the runner is killed, stopped or stalled, the link
 * cut or silent, the adapter killed, the disk full; at seeded random moments, over every make-up of links,
 * the emulator behind them. The time runs from the fault to zero torque in the emulator's own record.
 *
 * Usage: deenergized.ts [RUNS], 200 of each when left out.
 */
import { fork, type ChildProcess } from 'node:child_process';
import { once } from 'node:events';
import { cpSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as later } from 'node:timers/promises';
import { build } from 'vite';
import { Noise } from '../../src/bench/noise.js';
import { emulated, endedOf, MAKE_UPS, type Emulated, type MakeUp } from '../support/emulated.js';

/** What goes wrong. */
export const WRONGS = [
  'SIGKILL',
  'SIGSTOP',
  'main-loop stall',
  'link cut',
  'link silent',
  'adapter crash',
  'disk full',
] as const;
export type Wrong = (typeof WRONGS)[number];

/** Links over which each can go wrong. */
const OVER: Readonly<Record<Wrong, readonly MakeUp[]>> = {
  SIGKILL: MAKE_UPS,
  SIGSTOP: MAKE_UPS,
  'main-loop stall': MAKE_UPS,
  'link cut': ['wire-tcp', 'scpi-tcp', 'scpi-serial', 'cia402-serial'],
  'link silent': ['wire-tcp', 'scpi-tcp', 'scpi-serial', 'cia402-serial'],
  'adapter crash': ['wire-relay'],
  'disk full': MAKE_UPS,
};

/** One run: when torque was gone after the fault. */
export interface Outcome {
  readonly wrong: Wrong;
  readonly makeUp: MakeUp;
  /** ms from the fault to zero torque of the motor, and of the shaft; NaN when it stayed. */
  readonly motor: number;
  readonly shaft: number;
}

/** ms after which torque that is still there is torque that stayed. */
const PATIENCE = 3000;

const now = (): bigint => process.hrtime.bigint();

/** Plays once, lets one thing go wrong, and reads the emulator's record. */
export async function deenergize(
  wrong: Wrong,
  makeUp: MakeUp,
  far: Emulated,
  { after, naive = false }: { readonly after: number; readonly naive?: boolean },
): Promise<Outcome> {
  const folder = mkdtempSync(join(tmpdir(), 'stallmark-power-'));
  const bench = join(folder, 'bench.yaml');
  writeFileSync(bench, far.text);
  for (const file of ['generator.yaml', 'digitizer.yaml']) {
    cpSync(join('procedures/links', file), join(folder, file));
  }
  const before = far.journal().length;
  const child = fork(await programOf(), [bench, ...(naive ? ['--naive'] : [])], {
    stdio: ['ignore', 'inherit', 'inherit', 'ipc'],
  });
  try {
    await saysTorque(child);
    await later(after);
    const at = await goWrong(wrong, child, far, naive);
    const gone = far
      .journal()
      .slice(before)
      .find((line) => line['what'] === 'tripped' && BigInt(String(line['at_ns'])) < at);
    if (gone !== undefined)
      throw new Error(`no torque came: it went before, by ${String(gone['reason'])}`);
    const [motor, shaft] = await zeroOf(far, before, at);
    return { wrong, makeUp, motor, shaft };
  } finally {
    await endedOf(child);
    await far.mend();
    rmSync(folder, { recursive: true, force: true });
  }
}

let program: Promise<string> | undefined;

/** The program that holds torque, bundled once: it is started more than a thousand times. */
function programOf(): Promise<string> {
  program ??= build({
    ...{ configFile: false, logLevel: 'error' },
    build: {
      ...{ ssr: 'tests/evidence/power-child.ts', outDir: '.artefacts/power', minify: false },
      rolldownOptions: { output: { entryFileNames: 'power-child.mjs' } },
    },
  }).then(() => '.artefacts/power/power-child.mjs');
  return program;
}

/** Runs that ended by themselves before anything was let go wrong, as a busy machine makes them. */
export const early: string[] = [];

/** The far side of a make-up. A cable that was cut stays cut, so then there is another far side. */
class FarSide {
  private constructor(
    private readonly makeUp: MakeUp,
    private far: Emulated,
  ) {}

  static async of(makeUp: MakeUp): Promise<FarSide> {
    return new FarSide(makeUp, await emulated(makeUp, { pace: 'real' }));
  }

  /** As `deenergize`, again where the run ended too early. */
  async deenergize(wrong: Wrong, after: number): Promise<Outcome> {
    for (let tries = 0; tries < 20; tries += 1) {
      try {
        return await deenergize(wrong, this.makeUp, this.far, { after });
      } catch (error) {
        if (!(error instanceof Error && error.message.startsWith('no torque came'))) throw error;
        early.push(`${wrong} over ${this.makeUp}: ${error.message}`);
      } finally {
        if (wrong === 'link cut' && this.makeUp.endsWith('serial')) await this.renew();
      }
    }
    throw new Error(`twenty runs of ${wrong} ended too early: ${early.at(-1) ?? ''}`);
  }

  end(): Promise<void> {
    return this.far.end();
  }

  private async renew(): Promise<void> {
    await this.far.end();
    this.far = await emulated(this.makeUp, { pace: 'real' });
  }
}

async function saysTorque(child: ChildProcess): Promise<void> {
  for (;;) {
    const [message] = (await Promise.race([
      once(child, 'message'),
      once(child, 'close').then(([status]) => [`ended with ${String(status)}`]),
    ])) as [string];
    if (message === 'torque') return;
    throw new Error(`no torque came: ${message}`);
  }
}

/** Lets it go wrong. @returns The instant before. */
async function goWrong(
  wrong: Wrong,
  child: ChildProcess,
  far: Emulated,
  naive: boolean,
): Promise<bigint> {
  const at = now();
  switch (wrong) {
    case 'SIGKILL':
    case 'SIGSTOP':
      child.kill(wrong);
      return at;
    case 'main-loop stall':
      child.send(naive ? 'hang' : 'stall');
      return at;
    case 'disk full':
      child.send('disk-full');
      return at;
    case 'adapter crash':
    case 'link cut':
      await far.cut();
      return at;
    case 'link silent':
      await far.control({ nasty: Object.fromEntries(far.links.map((link) => [link, 'silence'])) });
      return at;
  }
}

async function zeroOf(
  far: Emulated,
  before: number,
  at: bigint,
): Promise<readonly [number, number]> {
  const first = (lines: ReturnType<Emulated['journal']>, what: string): number => {
    const line = lines.find((one) => one['what'] === what && BigInt(String(one['at_ns'])) >= at);
    return line === undefined ? NaN : Number(BigInt(String(line['at_ns'])) - at) / 1e6;
  };
  for (const until = performance.now() + PATIENCE; performance.now() < until;) {
    const lines = far.journal().slice(before);
    const found = [first(lines, 'zero'), first(lines, 'shaft-zero')] as const;
    if (found.every((ms) => !Number.isNaN(ms))) return found;
    await later(20);
  }
  const lines = far.journal().slice(before);
  return [first(lines, 'zero'), first(lines, 'shaft-zero')];
}

/** All runs of one kind, spread over its links. */
export async function runsOf(
  wrong: Wrong,
  runs: number,
  told: (outcome: Outcome) => void,
): Promise<readonly Outcome[]> {
  const outcomes: Outcome[] = [];
  const over = OVER[wrong];
  for (const [index, makeUp] of over.entries()) {
    const count = Math.floor(runs / over.length) + (index < runs % over.length ? 1 : 0);
    const draw = new Noise(`${wrong}/${makeUp}`);
    const far = await FarSide.of(makeUp);
    for (let run = 0; run < count; run += 1) {
      const outcome = await far.deenergize(wrong, 20 + 400 * draw.uniform());
      outcomes.push(outcome);
      told(outcome);
    }
    await far.end();
  }
  return outcomes;
}
