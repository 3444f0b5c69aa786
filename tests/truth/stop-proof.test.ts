import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type { Bench, Block, Energized, Load } from '../../src/bench/bench.js';
import type { FaultName } from '../../src/bench/fault.js';
import { simulatedBench, type SimulatedBench } from '../../src/bench/simulated.js';
import type { Entry } from '../../src/ledger/ledger.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { readinessProblems } from '../../src/readiness/readiness.js';
import { stopProofCheck, type StopProven } from '../../src/readiness/stop-proof.js';
import type { Parts } from '../../src/run/brief.js';
import { openScorer } from '../../src/run/open-scorer.js';
import { ledgerFile } from '../../src/run/places.js';
import { prepareStop, proveStop, stopSentence, type StopOrder } from '../../src/run/stop-proof.js';
import { handClock } from '../support/clock.js';
import { temporaryFolder } from '../support/folder.js';
import { SELF_TESTED } from '../support/empty-ledger.js';

const SERIAL = 'H12-26-00001';
const hand = handClock();
const clock = { ...hand, wait: (ms: number): Promise<void> => hand.advance(ms) };
const documents = prepareStop({ serial: SERIAL });

interface Proven {
  /** What was found, or why there is no proof. */
  readonly found: StopProven | StallmarkError;
  readonly entries: readonly Entry[];
  /** How often the person was told to press. */
  readonly asked: number;
  /** N·m in the shaft when all was over. */
  readonly left: number;
}

interface Differently {
  readonly faults?: readonly FaultName[];
  readonly alter?: (bench: SimulatedBench) => Bench;
  /** Answers no warning. */
  readonly silent?: true;
}

/** Proves the stop of the simulated bench; everything but the seal is the true program. */
async function proved({ faults = [], alter, silent }: Differently = {}): Promise<Proven> {
  const { station } = documents;
  const root = temporaryFolder();
  const ledger = openLedger(ledgerFile(root));
  const inner = simulatedBench({
    station,
    serial: SERIAL,
    attempt: 0,
    faults,
    clock,
    pace: 'fast',
  });
  const parts: Parts = {
    bench: () => alter?.(inner) ?? inner,
    ...{ ledger, root, clock, scorer: openScorer, selfTest: SELF_TESTED },
    seal: { purpose: 'simulation', until: clock.now() + 1e10 } as Parts['seal'],
  };
  let asked = 0;
  const order: StopOrder = {
    ...{ serial: SERIAL, operator: 'op 17', documents },
    acknowledge: (warning, task) =>
      silent === true
        ? Promise.reject(new StallmarkError([{ code: 'run/stopped', what: 'No.', fix: 'No.' }]))
        : Promise.resolve({
            ...{ hazard: warning.hazard, by: 'op 17', at: clock.now(), serial: task.serial },
            ...{ attempt: task.attempt, language: 'en', textIssue: warning.issue },
            means: 'command-line option, simulated bench',
          }),
    arrange: (instruction) => Promise.reject(new Error(`nobody answers: ${instruction}`)),
    stop: new AbortController().signal,
    press: () => {
      asked += 1;
    },
  };
  const proving = proveStop(order, parts);
  const rest = async (): Promise<StopProven | StallmarkError> => {
    try {
      for (;;) {
        const next = await proving.next();
        if (next.done === true) return next.value;
      }
    } catch (error) {
      if (error instanceof StallmarkError) return error;
      throw error;
    }
  };
  const found = await rest();
  const entries = [...ledger.entries()];
  ledger.close();
  return { found, entries, asked, left: Math.abs(inner.control.shaftTorque()) };
}

const checkAfter = (entries: readonly Entry[]) =>
  stopProofCheck({ station: documents.station, entries: entries.toReversed(), now: clock.now() });

function provenBy({ found }: Proven): StopProven {
  if (found instanceof StallmarkError) throw found;
  return found;
}

/** s that the shaft takes to come to rest once the torque was taken away; found without a fault. */
let alone = NaN;

test('a sound stop holds, is entered, and lets the bench test', async () => {
  const proven = await proved();
  const found = provenBy(proven);
  // 361 Hz at 3 % ring down to 5 % within ln 20/(ζ·ω) = 44 ms; the bearing makes it less.
  expect(found.time).toBeGreaterThan(0);
  expect(found.time).toBeLessThan(0.045);
  expect(found).toMatchObject({
    ok: true,
    atLeast: false,
    limit: 0.25,
    bench: 'TW-1',
    item: SERIAL,
  });
  expect(found.level).toBeCloseTo(1.2, 1);
  expect(stopSentence(found)).toMatch(
    /^HOLDS: .* 5 % of 1\.\d\d N·m it took \d+\.\d ms, allowed 250 ms\.$/u,
  );
  expect(proven.asked).toBe(1);
  expect(proven.left).toBeLessThan(0.1);
  const kinds = proven.entries.map(({ kind, serial, attempt }) => [kind, serial, attempt]);
  expect(kinds).toEqual([
    ['note', SERIAL, 0],
    ['bench-checked', '', 0],
  ]);
  expect(proven.entries[0]?.body).toMatchObject({ what: 'stop proof begun', simulated: true });
  expect(checkAfter(proven.entries)).toMatchObject({ state: 'ok' });
  alone = found.time;
});

/** The contactor drops late by so many s; neither program nor dead-man of 100 ms may hide it. */
const SLOW: readonly (readonly [fault: FaultName, delay: number, isOk: boolean])[] = [
  ['slow-stop:slight', 0.03, true],
  ['slow-stop', 0.4, false],
];
for (const [fault, delay, isOk] of SLOW) {
  test(`${fault}: the delay of ${1000 * delay} ms is read to the sample, and ${isOk ? 'holds' : 'locks the bench'}`, async () => {
    const proven = await proved({ faults: [fault] });
    const found = provenBy(proven);
    expect(found.ok).toBe(isOk);
    expect(found.time - alone).toBeCloseTo(delay, 3);
    expect(proven.left).toBeLessThan(0.1);
    const check = checkAfter(proven.entries);
    expect(check.state).toBe(isOk ? 'ok' : 'failed');
    expect(readinessProblems([check])).toHaveLength(isOk ? 0 : 1);
  });
}

test('a stop that does nothing: the program cuts the power after twice the limit, and the bench is locked', async () => {
  const proven = await proved({ faults: ['slow-stop:severe'] });
  const found = provenBy(proven);
  expect(found).toMatchObject({ ok: false, atLeast: true });
  expect(found.time).toBeGreaterThanOrEqual(0.5);
  expect(found.time).toBeLessThan(0.53);
  expect(proven.left).toBeLessThan(0.1);
  expect(stopSentence(found)).toContain('DOES NOT HOLD');
  expect(checkAfter(proven.entries)).toMatchObject({ state: 'failed', clear: 'maintenance' });
});

/** The bench with a hand that never presses. */
const unpressed = (inner: SimulatedBench): Bench =>
  replaced(inner, {
    energize: async (...asked) => {
      const power = await inner.energize(...asked);
      return replaced<Energized>(power, {
        play: ({ waveform, settings }: Load) => power.play({ waveform, settings }),
      });
    },
  });

function replaced<T extends object>(of: T, members: Partial<T>): T {
  return new Proxy(of, {
    get(target, name) {
      const own: unknown = Reflect.get(members, name);
      if (own !== undefined) return own;
      const value: unknown = Reflect.get(target, name);
      return typeof value === 'function' ? (value.bind(target) as unknown) : value;
    },
  });
}

/** The bench with a guard that is opened while everybody waits for the press. */
const opened = (inner: SimulatedBench): Bench =>
  replaced(inner, {
    energize: async (...asked) => {
      const power = await inner.energize(...asked);
      return replaced<Energized>(power, {
        play: (load: Load) =>
          load.afterStop === undefined ? power.play(load) : guardOpenedIn(power.play(load), inner),
      });
    },
  });

async function* guardOpenedIn(
  blocks: AsyncIterable<Block>,
  inner: SimulatedBench,
): AsyncGenerator<Block> {
  let count = 0;
  for await (const block of blocks) {
    count += 1;
    if (count === 20) inner.control.interlocks({ guard: 'open' });
    yield block;
  }
}

const UNPROVEN: readonly {
  readonly name: string;
  readonly how: Differently;
  readonly code: string;
  readonly why: RegExp;
  /** How often the person was told to press. */
  readonly asked: number;
  /** Refused before anybody was allowed to apply power. */
  readonly refused?: true;
}[] = [
  {
    name: 'nobody presses',
    how: { alter: unpressed },
    ...{ code: 'readiness/not-ready', why: /nobody pressed it in time/u, asked: 1 },
  },
  {
    name: 'the guard is opened instead',
    how: { alter: opened },
    ...{ code: 'bench/interlock', why: /guard open/u, asked: 1 },
  },
  {
    name: 'the guard is opened before',
    how: { faults: ['guard-opened'] },
    ...{ code: 'bench/interlock', why: /guard is open/u, asked: 0 },
  },
  {
    name: 'a hand rests on the wheel',
    how: { faults: ['hand-on-wheel'] },
    ...{ code: 'readiness/not-ready', why: /hands off|quiet zero/u, asked: 0 },
  },
  {
    name: 'the torque channel is dead',
    how: { faults: ['stuck-channel'] },
    ...{ code: 'readiness/not-ready', why: /torque stands on one value/u, asked: 0 },
  },
  {
    name: 'the hall is too warm',
    how: { faults: ['wrong-ambient'] },
    ...{ code: 'readiness/not-ready', why: /ambient temperature/u, asked: 0, refused: true },
  },
  {
    name: 'the warnings are not acknowledged',
    how: { silent: true },
    ...{ code: 'run/stopped', why: /No\./u, asked: 0, refused: true },
  },
];
for (const { name, how, code, why, asked, refused } of UNPROVEN) {
  test(`when ${name} there is no proof, and the last one stays the last`, async () => {
    const proven = await proved(how);
    const { found } = proven;
    if (!(found instanceof StallmarkError)) throw new Error('it was proven');
    expect(found.problems[0].code).toBe(code);
    expect(found.problems.map(({ what }) => what).join()).toMatch(why);
    expect(proven.asked).toBe(asked);
    expect(proven.left).toBeLessThan(0.1);
    expect(proven.entries.filter(({ kind }) => kind === 'bench-checked')).toEqual([]);
    expect(checkAfter(proven.entries).state).toBe('not run');
    const notes = proven.entries.filter(({ kind }) => kind === 'note');
    const told = ['stop proof begun', 'stop proof ended without a result'];
    // What is refused before anybody is allowed to apply power has begun nothing.
    expect(notes.map(({ body }) => body['what'])).toEqual(refused === true ? [] : told);
  });
}

test('only a procedure with a hold to press in proves a stop', () => {
  const refusal = (procedure: string): StallmarkError['problems'] => {
    try {
      prepareStop({ serial: SERIAL, procedure, bench: 'procedures/benches/tw-1.yaml' });
    } catch (error) {
      if (error instanceof StallmarkError) return error.problems;
      throw error;
    }
    throw new Error('taken');
  };
  expect(refusal('procedures/h12-stand.yaml')[0]).toMatchObject({ code: 'document/mismatch' });
  expect(refusal('procedures/h12-stand.yaml')[0].what).toContain('purpose "stand"');
  expect(documents.procedure).toMatchObject({ id: 'h12-stop', purpose: 'stop' });
});
