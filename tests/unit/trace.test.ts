import { expect, test } from 'vitest';
import { unitOf } from '../../src/base/units.js';
import type { Correction } from '../../src/readiness/correction.js';
import {
  smallestMargin,
  traceRecords,
  type TraceableRecord,
  type TracedRow,
  type TraceQuestion,
} from '../../src/readiness/trace.js';

const GAIN: TracedRow = {
  stage: 'static',
  characteristic: 'static-gain',
  label: 'static gain',
  side: 'shaft',
  unit: unitOf('%'),
  value: 1.024,
  isBound: false,
  expanded: 0.004,
  tolerance: { kind: 'between', lower: 0.97, upper: 1.03 },
  rule: 'guarded',
  verdict: 'conforming',
};
const RISE: TracedRow = {
  ...GAIN,
  stage: 'steps',
  characteristic: 'rise-time',
  label: 'rise time',
  side: 'motor',
  unit: unitOf('ms'),
  value: 0.0027,
  expanded: 0.00006,
  tolerance: { kind: 'between', lower: 0.0023, upper: 0.0031 },
};
const CONSTANT: TracedRow = {
  ...GAIN,
  characteristic: 'torque-constant',
  label: 'torque constant',
  unit: unitOf('N·m/A'),
  value: 0.61,
  expanded: 0.0036,
  tolerance: { kind: 'between', lower: 0.58, upper: 0.62 },
};
const GRAIN: TracedRow = {
  ...GAIN,
  stage: 'smoothing',
  characteristic: 'grain',
  label: 'grain',
  side: 'motor',
  unit: unitOf('mN·m'),
  value: 0.0618,
  expanded: 0.0001,
  tolerance: { kind: 'at-most', upper: 0.062 },
};

function recordWith(
  rows: readonly TracedRow[],
  over: Partial<TraceableRecord> = {},
): TraceableRecord {
  return {
    number: 'TW1-2026-000001',
    revision: 0,
    serial: 'H12-26-00001',
    attempt: 1,
    started: Date.parse('2026-11-25T14:05:00Z'),
    ended: Date.parse('2026-11-25T14:09:00Z'),
    verdict: 'ACCEPT',
    torqueConstant: 'measured',
    equipment: [
      {
        id: 'TT-204',
        certificate: 'SL-26-1187',
        calibrated: '2026-05-18',
        due: '2027-05-18',
        quantity: 'torque',
      },
      {
        id: 'CS-11',
        certificate: 'SL-26-1190',
        calibrated: '2026-05-19',
        due: '2027-05-19',
        quantity: 'current',
      },
    ],
    rows,
    gates: [{ holds: true, blames: 'stand' }],
    ...over,
  };
}

const ask = (over: Partial<TraceQuestion> = {}): TraceQuestion => ({
  instrument: 'TT-204',
  from: '2026-11-25',
  to: '2026-11-25',
  zone: 'UTC',
  ...over,
});

const gain = (factor: number): Correction => ({ kind: 'gain', factor });

const WHEN = [
  { name: 'on the day', question: {}, is: 1 },
  { name: 'the day before', question: { from: '2026-11-24', to: '2026-11-24' }, is: 0 },
  { name: 'the day after', question: { from: '2026-11-26', to: '2026-11-26' }, is: 0 },
  {
    name: 'where it is the next day',
    question: { from: '2026-11-26', to: '2026-11-26', zone: 'Pacific/Kiritimati' },
    is: 1,
  },
  { name: 'another instrument', question: { instrument: 'TT-205' }, is: 0 },
  { name: 'an instrument whose name begins alike', question: { instrument: 'TT-20' }, is: 0 },
] as const;

for (const { name, question, is } of WHEN) {
  test(`${name}: ${String(is)} records`, () => {
    expect(traceRecords([recordWith([GAIN])], ask(question))).toHaveLength(is);
  });
}

test('an attempt over midnight belongs to both days', () => {
  const night = {
    started: Date.parse('2026-11-25T23:58:00Z'),
    ended: Date.parse('2026-11-26T00:02:00Z'),
  };
  for (const day of ['2026-11-25', '2026-11-26']) {
    expect(traceRecords([recordWith([GAIN], night)], ask({ from: day, to: day }))).toHaveLength(1);
  }
});

/** By hand: (1.03 − 0.004 − 1.024) / 0.004 = 0.5; (0.62 − 0.0036 − 0.61) / 0.0036 = 1.78; rise time 5.67. */
test('the smallest margin is the least distance to an acceptance limit in units of U', () => {
  expect(smallestMargin([RISE, GAIN, CONSTANT])).toMatchObject({ characteristic: 'static-gain' });
  expect(smallestMargin([RISE, GAIN, CONSTANT])?.margin).toBeCloseTo(0.5, 9);
  expect(smallestMargin([RISE])?.margin).toBeCloseTo((0.0031 - 0.00006 - 0.0027) / 0.00006, 6);
  // By simple acceptance the limit itself is the acceptance limit; outside it is negative.
  expect(smallestMargin([{ ...GAIN, rule: 'simple' }])?.margin).toBeCloseTo(1.5, 9);
  expect(smallestMargin([{ ...GAIN, value: 1.032 }])?.margin).toBeCloseTo(-1.5, 9);
  const { expanded, ...uncertain } = GAIN;
  expect(expanded).toBeDefined();
  expect(smallestMargin([uncertain, { ...RISE, invalid: 'invalid' }])).toBeUndefined();
});

const consequence = (
  rows: readonly TracedRow[],
  over: Partial<TraceQuestion>,
  record: Partial<TraceableRecord> = {},
) => traceRecords([recordWith(rows, record)], ask(over))[0]?.consequence;

test('a gain on torque changes the row it reaches and the verdict of the item, and nothing else', () => {
  const found = consequence([GAIN, RISE], { correction: gain(1.005) });
  expect(found).toMatchObject({ verdict: 'HOLD', isChanged: true, moved: 1, open: [] });
  expect(found?.changed).toHaveLength(1);
  expect(found?.changed[0]).toMatchObject({
    stage: 'static',
    characteristic: 'static-gain',
    value: 1.024,
    verdict: 'conforming',
    correctedVerdict: 'inconclusive, inside the limits',
  });
  expect(found?.changed[0]?.corrected).toBeCloseTo(1.02912, 9);
});

test('a greater one leads to REJECT, and one of 1 changes nothing', () => {
  expect(consequence([GAIN], { correction: gain(1.02) })?.verdict).toBe('REJECT');
  expect(consequence([GAIN], { correction: gain(1) })).toMatchObject({
    verdict: 'ACCEPT',
    isChanged: false,
    moved: 0,
  });
});

test('a gain on current divides the torque constant and leaves torque alone', () => {
  const over = { instrument: 'CS-11', correction: gain(0.98) };
  const found = consequence([GAIN, CONSTANT], over);
  expect(found?.changed.map((row) => row.characteristic)).toEqual(['torque-constant']);
  expect(found?.changed[0]?.corrected).toBeCloseTo(0.61 / 0.98, 9);
  expect(found).toMatchObject({ moved: 1, verdict: 'HOLD' });
});

test('a row that may have been read before the torque constant is open when that matters', () => {
  const found = consequence([GRAIN, CONSTANT], { correction: gain(1.005) });
  expect(found).toMatchObject({ open: ['smoothing.grain'], isChanged: false, verdict: 'ACCEPT' });
  const { characteristic } = CONSTANT;
  expect(found?.changed.map((row) => row.characteristic)).not.toContain(characteristic);
  // Far from the limit it does not matter.
  expect(
    consequence([{ ...GRAIN, value: 0.05 }, CONSTANT], { correction: gain(1.005) })?.open,
  ).toEqual([]);
});

test('with the nominal constant torque from the current stands on the current sensor alone', () => {
  const nominal = { torqueConstant: 'nominal' } as const;
  expect(consequence([GRAIN], { correction: gain(1.02) }, nominal)).toMatchObject({
    moved: 0,
    open: [],
  });
  const over = { instrument: 'CS-11', correction: gain(1.02) };
  expect(consequence([GRAIN], over, nominal)?.changed[0]).toMatchObject({
    characteristic: 'grain',
  });
});

test('an offset goes out with the zero of the run; without a zero the row is open', () => {
  const correction: Correction = { kind: 'offset', value: 0.5 };
  const zero: TracedRow = {
    ...GAIN,
    stage: 'idle',
    characteristic: 'zero-offset',
    unit: unitOf('mN·m'),
    value: 0.01,
    tolerance: { kind: 'at-most', upper: 0.06 },
  };
  const preload: TracedRow = { ...zero, stage: 'zero', characteristic: 'preload' };
  expect(consequence([zero, preload], { correction })).toMatchObject({ open: [], moved: 0 });
  expect(consequence([zero], { correction })).toMatchObject({ open: ['idle.zero-offset'] });
});

test('rows that were void stay void, and an item on HOLD for a gate stays on HOLD', () => {
  const rows = [{ ...GAIN, verdict: 'none', invalid: 'invalid' as const }];
  const held = { verdict: 'HOLD', gates: [{ holds: false, blames: 'stand' as const }] };
  expect(consequence(rows, { correction: gain(0.99) }, held)).toMatchObject({
    verdict: 'HOLD',
    isChanged: false,
    moved: 0,
    changed: [],
    open: [],
  });
});

test('where the printed verdicts are not what the values give, the record must be scored again', () => {
  const odd = { ...GAIN, verdict: 'nonconforming' };
  expect(consequence([odd], { correction: gain(1.02) }, { verdict: 'REJECT' })?.open).toEqual([
    'static.static-gain',
  ]);
  const over = { verdict: 'REJECT' }; // e.g. for a fault that the item reported of itself
  expect(consequence([GAIN], { correction: gain(1.005) }, over)).toMatchObject({
    verdict: 'score again',
    isChanged: true,
  });
});

test('a record that does not say what the instrument measures takes it from the question', () => {
  const equipment = [
    { id: 'TT-204', certificate: 'SL-25-0001', calibrated: '2025-05-18', due: '2026-05-18' },
  ];
  const asked = { correction: gain(1.005) };
  expect(consequence([GAIN], asked, { equipment })).toBeUndefined();
  expect(consequence([GAIN], { ...asked, quantity: 'torque' }, { equipment })?.verdict).toBe(
    'HOLD',
  );
  // Its own word comes first.
  expect(consequence([GAIN], { ...asked, quantity: 'current' })?.verdict).toBe('HOLD');
});

test('a digitizer reaches everything but the link: the captures must be scored again', () => {
  const equipment = [
    {
      id: 'TT-204',
      certificate: 'X',
      calibrated: '2026-05-18',
      due: '2027-05-18',
      quantity: 'voltage' as const,
    },
  ];
  const link: TracedRow = {
    ...GAIN,
    stage: 'link',
    characteristic: 'missing-updates',
    side: 'link',
    value: 0,
    tolerance: { kind: 'at-most', upper: 0 },
    rule: 'simple',
  };
  expect(consequence([GAIN, link], { correction: gain(1.005) }, { equipment })?.open).toEqual([
    'static.static-gain',
  ]);
});

/** 20·lg 1.1 = 0.828 dB. */
test('a microphone that read low raises sound levels alone', () => {
  const equipment = [
    {
      id: 'TT-204',
      certificate: 'X',
      calibrated: '2026-06-05',
      due: '2027-06-05',
      quantity: 'sound pressure' as const,
    },
  ];
  const sound: TracedRow = {
    ...GAIN,
    stage: 'sound',
    characteristic: 'sound-level',
    side: 'acoustic',
    unit: unitOf('dB(A)'),
    value: 44,
    expanded: 0.5,
    tolerance: { kind: 'at-most', upper: 45 },
  };
  const found = consequence([GAIN, sound], { correction: gain(1.1) }, { equipment });
  expect(found?.changed.map((row) => row.characteristic)).toEqual(['sound-level']);
  expect(found?.changed[0]?.corrected).toBeCloseTo(44.828, 3);
});
