/**
 * A program that holds torque on an emulated bench through the true runner, until it is killed, stopped
 * or told to misbehave. For `npm run evidence:bench`; not a test.
 *
 * Usage: power-child.ts BENCH.yaml [--naive]
 */
import { readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { systemClock } from '../../src/base/clock.js';
import { StallmarkError } from '../../src/base/error.js';
import { newtonMetre, second } from '../../src/base/units.js';
import type { Bench, Energized } from '../../src/bench/bench.js';
import { issuePermit, type Acknowledgement } from '../../src/bench/permit.js';
import type { Stage } from '../../src/procedure/procedure.js';
import { readProcedure, readStation } from '../../src/procedure/schema.js';
import { openRig, type LinkedStation } from '../../src/rig/open-rig.js';
import { perform } from '../../src/run/runner.js';
import { answering } from '../support/answering.js';

const PROCEDURE = 'procedures/h12-acceptance.yaml';
const SERIAL = 'H12-26-04711';
/** N·m held, of 12.5 N·m of the ceiling. */
const LEVEL = newtonMetre(8);

/** What the parent asks for. */
type Order = 'stall' | 'hang' | 'disk-full';

const [, , file = '', ...options] = process.argv;
const isNaive = options.includes('--naive');

let fill: () => void = () => undefined;
const full = new Promise<never>((_, reject) => {
  fill = () => {
    const what = 'There is no space left.';
    reject(new StallmarkError([{ code: 'storage/full', what, fix: 'Free space.' }]));
  };
});
full.catch(() => undefined); // whoever waits for it is told; nobody does before the second stage

/** When set, the control loop waits for something that never comes. */
let isHanging = false;
let power: Energized | undefined;

/** Keeps the whole program busy, as a long calculation in the wrong thread would. */
function stall(): void {
  const end = performance.now() + 1500;
  while (performance.now() < end);
}

process.on('message', (order: Order) => {
  if (order === 'stall') stall();
  if (order === 'hang') isHanging = true;
  if (order === 'disk-full') fill();
});
process.on('disconnect', () => process.exit(1));

/** A bench that tells the parent once torque is there, and can hang in the control loop. */
function watched(inner: Bench): Bench {
  let told = false;
  return answering(inner, {
    interlocks: () => (isHanging ? new Promise(() => undefined) : inner.interlocks()),
    energize: async (...asked) => {
      const given = await inner.energize(...asked);
      power = given;
      return {
        feed: () => {
          given.feed();
        },
        play: async function* (load) {
          for await (const block of given.play(load)) {
            if (!told && (block.samples.torque?.at(-1) ?? 0) > LEVEL / 2) {
              told = true;
              process.send?.('torque');
            }
            yield block;
          }
        },
      };
    },
  });
}

async function main(): Promise<void> {
  const read = readStation(readFileSync(file, 'utf8'), file, (name) =>
    readFileSync(join(dirname(file), name)),
  );
  if (read.links === undefined) throw new Error('the bench has no links');
  const station: LinkedStation = { ...read, links: read.links };
  const text = readFileSync(PROCEDURE, 'utf8');
  const shipped = readProcedure(text, PROCEDURE, (name) => readFileSync(`procedures/${name}`));
  const [first] = shipped.stages;
  const stage: Omit<Stage, 'id' | 'pattern'> = {
    ...first,
    ...{ power: 'on', gates: [], reads: [], takes: [{ smoothing: 0, fixture: 'coupled' }] },
  };
  const hold = (level: number, duration: number) =>
    ({ kind: 'hold', level: newtonMetre(level), duration: second(duration) }) as const;
  const procedure = {
    ...shipped,
    stages: [
      { ...stage, id: 'rest', pattern: hold(0, 0.1) },
      { ...stage, id: 'hold', pattern: hold(LEVEL, 30) },
    ] as const,
  };
  const bench = watched(await openRig(station, { serial: SERIAL, attempt: 1 }, systemClock));
  const task = { bench: bench.id, serial: SERIAL, attempt: 1, procedureDigest: procedure.digest };
  const replies = procedure.warnings.map(({ hazard, issue }): Acknowledgement => ({
    ...{ hazard, by: 'A. Operator', at: systemClock.now(), serial: SERIAL, attempt: 1 },
    ...{ language: 'en', textIssue: issue, means: 'command-line option, simulated bench' },
  }));
  const permit = issuePermit(task, [], replies, systemClock.now());
  if ('outstanding' in permit) throw new Error('no permit');
  // The classic mistake, kept to show that it is one: a heartbeat that lives while the loop hangs.
  if (isNaive) setInterval(() => power?.feed(), 20);
  const run = perform({
    ...{ task, procedure, bench, permit, clock: systemClock },
    scorer: { score: () => full, close: () => full, abandon: () => Promise.resolve() },
    confirmReady: () => Promise.resolve(),
    arrange: () => Promise.reject(new Error('nobody is asked')),
    stop: new AbortController().signal,
    note: () => undefined,
  });
  try {
    for (;;) if ((await run.next()).done === true) break;
  } catch (error) {
    const code = error instanceof StallmarkError ? error.problems[0].code : String(error);
    process.send?.(`ended ${code}`);
  } finally {
    await bench.close();
  }
}

await main();
process.exit(0);
