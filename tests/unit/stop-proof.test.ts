import { expect, test } from 'vitest';
import { second } from '../../src/base/units.js';
import { readinessProblems, type Check } from '../../src/readiness/readiness.js';
import {
  readStopProof,
  stopProofBody,
  stopProofCheck,
  timeOf,
  type StopProofFound,
} from '../../src/readiness/stop-proof.js';
import type { StopPolicy } from '../../src/procedure/station.js';
import { WrittenLedger } from '../support/reference-ledger.js';

const DAY = 24; // h
const POLICY: StopPolicy = { within: second(90 * 86_400), limit: second(0.25), required: true };
const HELD: StopProofFound = {
  ...{ bench: 'TW-1', simulated: true, item: 'H12-26-00001' },
  ...{ time: 0.0128, atLeast: false, limit: 0.25, level: 1.18, ok: true },
};
const SLOW: StopProofFound = { ...HELD, time: 0.4128, ok: false };

const proven = (ledger: WrittenLedger, hours: number, found = HELD): void => {
  ledger.write('bench-checked', hours, { body: stopProofBody(found, { procedure: 'aa' }) });
};

interface Case {
  readonly name: string;
  readonly write?: (ledger: WrittenLedger) => void;
  /** Hours after the start at which readiness is asked. */
  readonly now: number;
  readonly policy?: Partial<StopPolicy>;
  readonly state: Check['state'];
  readonly found: RegExp;
  readonly blocks?: false;
}

const CASES: readonly Case[] = [
  { name: 'nothing was proven yet', now: 1, state: 'not run', found: /never proven on TW-1/u },
  {
    name: 'proven a day ago',
    write: (l) => {
      proven(l, 0);
    },
    ...{ now: DAY, state: 'ok', found: /12\.8 ms, allowed 250\.0 ms; entry 1 .*1\.0 d ago/u },
  },
  {
    name: 'the last eighth of the time',
    write: (l) => {
      proven(l, 0);
    },
    ...{ now: 79 * DAY, state: 'due soon', found: /79\.0 d ago, due every 90\.0 d/u },
  },
  {
    name: 'the time is over',
    write: (l) => {
      proven(l, 0);
    },
    ...{ now: 90 * DAY, state: 'overdue', found: /90\.0 d ago/u },
  },
  {
    name: 'slower than the limit',
    write: (l) => {
      proven(l, 0);
      proven(l, 1, SLOW);
    },
    ...{ now: 2, state: 'failed', found: /it took 412\.8 ms, allowed 250\.0 ms; entry 2/u },
  },
  {
    name: 'a stop that never came, on a bench that does not require proofs, refuses all the same',
    write: (l) => {
      proven(l, 0, { ...SLOW, time: 0.5, atLeast: true });
    },
    ...{ now: 1, policy: { required: false }, state: 'failed', found: /more than 500\.0 ms/u },
  },
  {
    name: 'repaired and proven again',
    write: (l) => {
      proven(l, 0, SLOW);
      proven(l, 1);
    },
    ...{ now: 2, state: 'ok', found: /entry 2/u },
  },
  {
    name: 'a limit that was tightened since',
    write: (l) => {
      proven(l, 0);
    },
    ...{ now: 1, policy: { limit: second(0.01) }, state: 'failed', found: /allowed 10\.0 ms/u },
  },
  {
    name: 'a proof on another bench is none',
    write: (l) => {
      proven(l, 0, { ...HELD, bench: 'TW-2' });
    },
    ...{ now: 1, state: 'not run', found: /never proven/u },
  },
  {
    name: 'a proof on a real bench of that name is none on a simulated one',
    write: (l) => {
      proven(l, 0, { ...HELD, simulated: false });
    },
    ...{ now: 1, state: 'not run', found: /never proven/u },
  },
  {
    name: 'the clock was set back past the proof and nobody vouched',
    write: (l) => {
      proven(l, 10);
    },
    ...{ now: 9, state: 'overdue', found: /still to come/u },
  },
  {
    name: 'the clock was set back since, and somebody vouched for it',
    write: (l) => {
      proven(l, 80 * DAY);
      l.setBack(0);
    },
    ...{ now: 85 * DAY, state: 'overdue', found: /set back since entry 1/u },
  },
  {
    name: 'a proof far in the future, entered while the clock was ahead, is of no use once it is right',
    write: (l) => {
      proven(l, 3650 * DAY);
      l.setBack(1);
    },
    ...{ now: 3660 * DAY, state: 'overdue', found: /set back/u },
  },
  {
    name: 'a proof after the clock was put right counts',
    write: (l) => {
      proven(l, 3650 * DAY);
      l.setBack(1);
      proven(l, 2);
    },
    ...{ now: 3, state: 'ok', found: /entry 3/u },
  },
  {
    name: 'the clock was set forward: it is due earlier, never later',
    write: (l) => {
      proven(l, 0);
    },
    ...{ now: 3650 * DAY, state: 'overdue', found: /3650\.0 d ago/u },
  },
  {
    name: 'missing where it is not required is told and does not refuse',
    ...{ now: 1, policy: { required: false }, state: 'not run', found: /never/u, blocks: false },
  },
];

for (const { name, write, now, policy, state, found, blocks } of CASES) {
  test(`${name}: ${state}`, () => {
    const ledger = new WrittenLedger();
    write?.(ledger);
    const check = stopProofCheck({
      station: { id: 'TW-1', kind: 'simulated', checks: { stopProof: { ...POLICY, ...policy } } },
      entries: ledger.newestFirst(),
      now: WrittenLedger.at(now),
    });
    expect(check).toMatchObject({ state, clear: 'maintenance' });
    expect(check.found).toMatch(found);
    expect(check.blocks).toBe(blocks);
    const refused = state !== 'ok' && state !== 'due soon' && blocks !== false;
    const problems = readinessProblems([check]);
    expect(problems).toHaveLength(refused ? 1 : 0);
    if (refused) expect(problems[0]?.what).toContain(`Not ready, stop proof ${state}`);
  });
}

test('entries without a serial are enough, and the newest come first', () => {
  const ledger = new WrittenLedger();
  proven(ledger, 0, SLOW);
  ledger.tested(1, 1);
  proven(ledger, 2);
  const check = stopProofCheck({
    station: { id: 'TW-1', kind: 'simulated', checks: { stopProof: POLICY } },
    entries: ledger.of('').toReversed(),
    now: WrittenLedger.at(3),
  });
  expect(check.state).toBe('ok');
});

test('a bench that states no policy is asked for a proof all the same, and not held to it', () => {
  const station = { id: 'TW-1', kind: 'simulated' } as const;
  const check = stopProofCheck({ station, entries: [], now: WrittenLedger.at(0) });
  expect(check).toMatchObject({ state: 'not run', blocks: false });
});

test('a proof is read back as it was entered; what is not whole counts as failed or as none', () => {
  const ledger = new WrittenLedger();
  const body = stopProofBody(HELD, { procedure: 'aa' });
  const entry = ledger.write('bench-checked', 0, { body });
  expect(readStopProof(entry)).toEqual({ ...HELD, entry: 1, at: entry.at, by: 'op 17' });
  expect(readStopProof({ ...entry, kind: 'note' })).toBeUndefined();
  expect(readStopProof({ ...entry, body: { ...body, check: 'reference' } })).toBeUndefined();
  expect(readStopProof({ ...entry, body: { ...body, bench: 7 } })).toBeUndefined();
  for (const spoilt of [{ time: 'soon' }, { limit: null }, { ok: 'yes' }, { time: 0.3 }]) {
    expect(readStopProof({ ...entry, body: { ...body, ...spoilt } })?.ok).toBe(false);
  }
});

test('a time is told in milliseconds, a bound as one', () => {
  expect(timeOf({ time: 0.0428, atLeast: false })).toBe('42.8 ms');
  expect(timeOf({ time: 0.5, atLeast: true })).toBe('more than 500.0 ms');
});
