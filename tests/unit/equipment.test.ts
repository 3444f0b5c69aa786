import { expect, test } from 'vitest';
import type { ErrorCode } from '../../src/base/codes.js';
import type { NonEmpty } from '../../src/base/numbers.js';
import type { Calibration, RegisteredInstrument } from '../../src/procedure/station.js';
import { calibrationAt, equipmentChecks, equipmentInForce } from '../../src/readiness/equipment.js';
import {
  readinessChecks,
  readinessProblems,
  type Check,
  type CheckState,
  type Situation,
} from '../../src/readiness/readiness.js';
import { shippedDocuments } from '../support/simulated-run.js';
import { NOTHING_ENTERED } from '../support/empty-ledger.js';

const OLD: Calibration = {
  certificate: 'SL-25-0001',
  laboratory: 'Saltmere Torque Laboratory',
  calibrated: '2025-10-20',
  due: '2026-10-25',
  inService: '2025-10-21',
  uncertainty: '0.15 %, k = 2',
};
const NEW: Calibration = {
  ...OLD,
  certificate: 'SL-26-0001',
  calibrated: '2026-10-20',
  due: '2027-10-25',
  inService: '2026-10-22',
};

function instrument(...calibrations: NonEmpty<Calibration>): RegisteredInstrument {
  const [what, range] = ['torque transducer', '±20 N·m'];
  return { id: 'TT-204', what, serial: '20-1', quantity: 'torque', range, calibrations };
}

const at = (text: string): number => Date.parse(text);
const { procedure, station: shipped } = shippedDocuments();
const stationWith = (one: RegisteredInstrument, zone = 'UTC') => ({
  ...shipped,
  zone,
  register: [one] as const,
});

/** The check of the only instrument. */
function checkOf(
  one: RegisteredInstrument,
  now: string,
  more: { readonly zone?: string; readonly begunAt?: string } = {},
): Check {
  const begunAt = more.begunAt === undefined ? undefined : at(more.begunAt);
  const [check] = equipmentChecks(stationWith(one, more.zone), at(now), begunAt);
  if (check === undefined) throw new Error('no check of the instrument');
  return check;
}

const IN_FORCE: readonly {
  readonly name: string;
  readonly calibrations: NonEmpty<Calibration>;
  readonly now: string;
  readonly zone?: string;
  readonly is: readonly string[];
}[] = [
  { name: 'before the first', calibrations: [OLD, NEW], now: '2025-10-20T23:59:59Z', is: [] },
  {
    name: 'from its day on',
    calibrations: [OLD, NEW],
    now: '2025-10-21T00:00:00Z',
    is: ['SL-25-0001'],
  },
  {
    name: 'up to the next',
    calibrations: [OLD, NEW],
    now: '2026-10-21T23:59:59.999Z',
    is: ['SL-25-0001'],
  },
  { name: 'the next', calibrations: [OLD, NEW], now: '2026-10-22T00:00:00Z', is: ['SL-26-0001'] },
  {
    name: 'the next, where the day begins earlier',
    calibrations: [OLD, NEW],
    now: '2026-10-21T22:00:00Z',
    zone: 'Europe/Berlin',
    is: ['SL-26-0001'],
  },
  {
    name: 'from an instant on',
    calibrations: [OLD, { ...NEW, inService: '2026-10-22T09:30:00Z' }],
    now: '2026-10-22T09:29:59.999Z',
    is: ['SL-25-0001'],
  },
  {
    name: 'at that instant',
    calibrations: [OLD, { ...NEW, inService: '2026-10-22T09:30:00Z' }],
    now: '2026-10-22T09:30:00Z',
    is: ['SL-26-0001'],
  },
  {
    name: 'sent away, the next not back yet',
    calibrations: [{ ...OLD, outOfService: '2026-10-18' }, NEW],
    now: '2026-10-18T00:00:00Z',
    is: [],
  },
  {
    name: 'two that overlap',
    calibrations: [{ ...OLD, outOfService: '2026-11-01' }, NEW],
    now: '2026-10-31T12:00:00Z',
    is: ['SL-25-0001', 'SL-26-0001'],
  },
  {
    name: 'two from one day on',
    calibrations: [{ ...OLD, inService: '2026-10-22' }, NEW],
    now: '2026-10-31T12:00:00Z',
    is: ['SL-25-0001', 'SL-26-0001'],
  },
  {
    name: 'listed in the wrong order',
    calibrations: [NEW, OLD],
    now: '2026-10-31T12:00:00Z',
    is: ['SL-26-0001'],
  },
  {
    name: 'in service from an unreadable day',
    calibrations: [{ ...OLD, inService: 'soon' }],
    now: '2026-10-01T12:00:00Z',
    is: [],
  },
];

for (const { name, calibrations, now, zone, is } of IN_FORCE) {
  test(`in force, ${name}: ${is.join(' and ') || 'none'}`, () => {
    const found = calibrationAt({ calibrations }, at(now), zone ?? 'UTC');
    const names =
      found.kind === 'several'
        ? found.calibrations.map((c) => c.certificate)
        : found.kind === 'one'
          ? [found.calibration.certificate]
          : [];
    expect(names).toEqual(is);
    expect(found.kind).toBe(['none', 'one', 'several'][is.length]);
  });
}

const without = ({ due, ...rest }: Calibration): Calibration => {
  expect(due).toBeDefined();
  return rest;
};

const LOCKED: readonly {
  readonly name: string;
  readonly calibrations: () => NonEmpty<Calibration>;
  readonly now: string;
  readonly state: CheckState;
  readonly code: ErrorCode;
  readonly says: readonly string[];
}[] = [
  {
    name: 'overdue',
    calibrations: () => [OLD],
    now: '2026-10-26T00:00:00Z',
    state: 'overdue',
    code: 'equipment/overdue',
    says: ['SL-25-0001', 'due 2026-10-25', 'today is 2026-10-26'],
  },
  {
    name: 'no due date',
    calibrations: () => [without(OLD)],
    now: '2026-01-10T00:00:00Z',
    state: 'overdue',
    code: 'equipment/overdue',
    says: ['due not stated', 'counts as overdue'],
  },
  {
    name: 'an unreadable due date',
    calibrations: () => [{ ...OLD, due: 'next autumn' }],
    now: '2026-01-10T00:00:00Z',
    state: 'overdue',
    code: 'equipment/overdue',
    says: ['next autumn', 'unreadable'],
  },
  {
    name: 'due before it was calibrated',
    calibrations: () => [{ ...OLD, due: '2025-10-19' }],
    now: '2026-01-10T00:00:00Z',
    state: 'failed',
    code: 'equipment/order',
    says: ['due before it was calibrated'],
  },
  {
    name: 'dated in the future',
    calibrations: () => [{ ...OLD, calibrated: '2026-02-01' }],
    now: '2026-01-10T00:00:00Z',
    state: 'failed',
    code: 'equipment/future',
    says: ['2026-02-01, in the future', 'today is 2026-01-10'],
  },
  {
    name: 'one dated in the future beside a good one',
    calibrations: () => [OLD, NEW],
    now: '2026-10-19T12:00:00Z',
    state: 'failed',
    code: 'equipment/future',
    says: ['certificate SL-25-0001', 'SL-26-0001 was calibrated on 2026-10-20'],
  },
  {
    name: 'none in force yet',
    calibrations: () => [OLD],
    now: '2025-10-20T12:00:00Z',
    state: 'failed',
    code: 'equipment/gap',
    says: ['no calibration is in force on 2025-10-20', 'SL-25-0001 is in service from 2025-10-21'],
  },
  {
    name: 'none in force any more',
    calibrations: () => [{ ...OLD, outOfService: '2026-10-18' }, NEW],
    now: '2026-10-21T12:00:00Z',
    state: 'failed',
    code: 'equipment/gap',
    says: [
      'SL-25-0001 is out of service from 2026-10-18',
      'SL-26-0001 is in service from 2026-10-22',
    ],
  },
  {
    name: 'two in force at once',
    calibrations: () => [{ ...OLD, outOfService: '2026-11-01' }, NEW],
    now: '2026-10-31T12:00:00Z',
    state: 'failed',
    code: 'equipment/overlap',
    says: ['SL-25-0001 and SL-26-0001', 'at once'],
  },
];

for (const { name, calibrations, now, state, code, says } of LOCKED) {
  test(`${name} locks the bench with ${code}, for maintenance to clear`, () => {
    const check = checkOf(instrument(...calibrations()), now);
    expect(check).toMatchObject({ state, code, clear: 'maintenance' });
    const [problem] = readinessProblems([check]);
    expect(problem?.code).toBe(code);
    for (const text of says) expect(problem?.what).toContain(text);
    expect(problem?.what).toContain('TT-204');
    expect(problem?.fix).toContain('maintenance');
  });
}

test('every instrument that is locked is told at once', () => {
  const two = [instrument(OLD), { ...instrument(without(NEW)), id: 'TT-205' }] as const;
  const checks = equipmentChecks({ ...shipped, register: two }, at('2026-11-25T10:00:00Z'));
  expect(readinessProblems(checks).map((p) => p.code)).toEqual([
    'equipment/overdue',
    'equipment/overdue',
  ]);
});

/** The last instant at which a calibration due that day still counts, and the next. */
const MIDNIGHTS = [
  { zone: 'UTC', due: '2026-10-25', midnight: '2026-10-26T00:00:00Z' },
  { zone: 'Europe/Berlin', due: '2026-10-24', midnight: '2026-10-24T22:00:00Z' },
  { zone: 'Europe/Berlin', due: '2026-10-25', midnight: '2026-10-25T23:00:00Z' }, // 25 hours long
  { zone: 'Europe/Berlin', due: '2026-03-28', midnight: '2026-03-28T23:00:00Z' },
  { zone: 'Europe/Berlin', due: '2026-03-29', midnight: '2026-03-29T22:00:00Z' }, // 23 hours long
];

for (const { zone, due, midnight } of MIDNIGHTS) {
  test(`due ${due} runs to the end of that day in ${zone}`, () => {
    const one = instrument({ ...OLD, due });
    const before = new Date(at(midnight) - 1).toISOString();
    expect(checkOf(one, before, { zone }).state).toBe('due soon');
    expect(checkOf(one, midnight, { zone }).state).toBe('overdue');
  });
}

test('people are told 30 days ahead', () => {
  expect(checkOf(instrument(OLD), '2026-09-25T12:00:00Z').state).toBe('ok');
  expect(checkOf(instrument(OLD), '2026-09-26T12:00:00Z').state).toBe('due soon');
});

const BEGUN = [
  { name: 'begun a minute before midnight', begunAt: '2026-10-25T23:59:00Z', state: 'due soon' },
  { name: 'begun a minute after midnight', begunAt: '2026-10-26T00:01:00Z', state: 'overdue' },
  { name: 'begun more than a day ago', begunAt: '2026-10-25T00:02:59Z', state: 'overdue' },
  {
    name: 'begun in the future, after the clock was set back',
    begunAt: '2026-10-26T09:00:00Z',
    state: 'overdue',
  },
  { name: 'not begun', begunAt: undefined, state: 'overdue' },
] as const;

for (const { name, begunAt, state } of BEGUN) {
  test(`a due date that passed at midnight, an attempt ${name}: ${state}`, () => {
    const given = begunAt === undefined ? {} : { begunAt };
    expect(checkOf(instrument(OLD), '2026-10-26T00:03:00Z', given).state).toBe(state);
  });
}

test('an attempt begun before the next calibration is in service finishes with the one before', () => {
  const one = instrument(OLD, NEW);
  const check = checkOf(one, '2026-10-22T00:03:00Z', { begunAt: '2026-10-21T23:59:00Z' });
  expect(check.found).toContain('SL-25-0001');
  const [copy] = equipmentInForce(stationWith(one), at('2026-10-21T23:59:00Z'));
  expect(copy.certificate).toBe('SL-25-0001');
});

test('a record keeps a flat copy of the calibration in force', () => {
  const [copy] = equipmentInForce(
    stationWith(instrument(OLD, { ...NEW, gain: 1.002 })),
    at('2026-11-25T10:00:00Z'),
  );
  expect(copy).toEqual({
    id: 'TT-204',
    what: 'torque transducer',
    serial: '20-1',
    quantity: 'torque',
    range: '±20 N·m',
    certificate: 'SL-26-0001',
    laboratory: 'Saltmere Torque Laboratory',
    calibrated: '2026-10-20',
    due: '2027-10-25',
    uncertainty: '0.15 %, k = 2',
    correction: 'gain 1.002',
  });
  const uncorrected = equipmentInForce(stationWith(instrument(OLD)), at('2026-09-01T10:00:00Z'));
  expect(uncorrected[0].correction).toBe('none');
  expect(() => equipmentInForce(stationWith(instrument(OLD)), at('2025-01-01T00:00:00Z'))).toThrow(
    'TT-204',
  );
});

/** A bench on which all is well but for what is said. */
function situation(over: Partial<Situation>): Situation {
  return {
    procedure,
    station: stationWith(instrument(OLD)),
    ratings: {
      torqueRange: shipped.torqueRange,
      fixtures: ['coupled', 'uncoupled', 'shunt', 'timing'],
      channels: ['command', 'current', 'torque', 'supply', 'winding', 'sound'],
      indexing: 'bench',
      closedLoop: true,
    } as unknown as Situation['ratings'],
    interlocks: { guard: 'closed', emergencyStop: 'released', presence: 'released', age: 0 },
    environment: {
      ...{ ambient: 23, humidity: 0.4, supply: 48, poweredFor: 1e5 },
      adapter: { id: 'AD-12', kind: 'h12-shaft', serial: 'HA-1204' },
    } as unknown as Situation['environment'],
    ...NOTHING_ENTERED,
    last: entryAt('2026-10-24T16:00:00.000Z'),
    freeBytes: 1e12,
    recordBytes: 1e6,
    now: at('2026-10-25T06:00:00Z'),
    sealUntil: at('2028-01-01T00:00:00Z'),
    ...over,
  };
}

function entryAt(when: string): Situation['last'] {
  const [number, previous, digest] = [7, '0'.repeat(64), '1'.repeat(64)];
  const kind = 'note' as const;
  return { number, at: when, kind, serial: '', attempt: 0, by: 'test', body: {}, previous, digest };
}

const against = (over: Partial<Situation>): readonly string[] =>
  readinessProblems(readinessChecks(situation(over))).map((p) => `${p.code} ${p.what}`);

/** Ledger entry of the evening before, calibration due today, one more calibrated two days from now. */
const CLOCKS: readonly {
  readonly name: string;
  readonly now: string;
  readonly stands: Situation['station'];
  readonly refuses: readonly string[];
}[] = [
  {
    name: 'right',
    now: '2026-10-25T06:00:00Z',
    stands: stationWith(instrument(OLD)),
    refuses: [],
  },
  {
    name: 'set back a day: the ledger is later',
    now: '2026-10-24T06:00:00Z',
    stands: stationWith(instrument(OLD)),
    refuses: ['readiness/not-ready Not ready, clock'],
  },
  {
    name: 'set back a day, so that an overdue calibration looks good: the ledger is later',
    now: '2026-10-24T06:00:00Z',
    stands: stationWith(instrument({ ...OLD, due: '2026-10-24' })),
    refuses: ['readiness/not-ready Not ready, clock'],
  },
  {
    name: 'set back a day before a calibration was made: its certificate is in the future too',
    now: '2026-10-19T06:00:00Z',
    stands: stationWith(instrument(OLD, NEW)),
    refuses: ['equipment/future Not ready, calibration', 'readiness/not-ready Not ready, clock'],
  },
  {
    name: 'set forward a day past the due date: overdue',
    now: '2026-10-26T06:00:00Z',
    stands: stationWith(instrument(OLD)),
    refuses: ['equipment/overdue Not ready, calibration'],
  },
  {
    name: 'set forward three days, nothing due: as after a long pause, nothing is refused',
    now: '2026-10-28T06:00:00Z',
    stands: stationWith(instrument({ ...OLD, due: '2027-10-25' })),
    refuses: [],
  },
];

for (const { name, now, stands, refuses } of CLOCKS) {
  test(`clock ${name}`, () => {
    const found = against({ now: at(now), station: stands });
    expect(found).toHaveLength(refuses.length);
    refuses.forEach((text, i) => {
      expect(found[i]).toContain(text);
    });
  });
}

test('the clock check tells how long the ledger has been silent, also after a jump forward', () => {
  const over = { now: at('2026-10-28T06:00:00Z') };
  const clock = readinessChecks(situation(over)).find((c) => c.name === 'clock');
  expect(clock).toMatchObject({ state: 'ok', age: 86 * 3600 });
});

test('what was entered under a clock set forward keeps the bench locked once it is put right', () => {
  const over = { last: entryAt('2026-10-28T06:00:00.000Z'), now: at('2026-10-25T07:00:00Z') };
  expect(against(over)).toEqual([
    expect.stringContaining('2026-10-25T07:00:00Z is earlier than ledger entry 7'),
  ]);
});
