import * as fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { parseDescriptor } from '../../src/link/hid-descriptor.js';
import { type Aim, PidReports } from '../../src/link/hid-pid.js';
import type { HidReport } from '../../src/link/hid-report.js';
import { PID } from '../../src/link/hid-usage.js';
import { bytesOf, physicalIn } from '../support/bits.js';
import { OTHER_LAYOUT, STANDARD_LAYOUT } from '../support/hid-descriptors.js';

const FULL = 20;
const X = 0x1_0030;
const AIM: Aim = { axes: [X], direction: Math.PI / 2 };
const standard = new PidReports(parseDescriptor(STANDARD_LAYOUT), FULL);
const other = new PidReports(parseDescriptor(OTHER_LAYOUT));

const hex = ({ bytes }: HidReport): string => Buffer.from(bytes).toString('hex');
/** A report of the other layout: its id, then values as [first bit after the id, bits, value]. */
const placed = (
  id: number,
  length: number,
  values: readonly (readonly [number, number, number])[],
) => Buffer.from([id, ...bytesOf(length, values)]).toString('hex');

describe('one request, two layouts: bytes written down from each descriptor', () => {
  const effect = { ...AIM, type: 'constantForce', duration: 0.1, gain: 1 } as const;
  const periodic = { magnitude: 10, offset: -5, phase: Math.PI, period: 0.05 };
  const condition = {
    ...{ axis: 0, cpOffset: 0.5, positiveCoefficient: 1, negativeCoefficient: -1 },
    ...{ positiveSaturation: 20, negativeSaturation: 10, deadBand: 0.1 },
  };
  const envelope = { attackLevel: 0, attackTime: 0.01, fadeLevel: 20, fadeTime: 0.02 };
  const cases: readonly (readonly [string, (p: PidReports) => HidReport, string, string])[] = [
    [
      'set effect: 0.1 s, gain 1, X, 90°',
      (p) => p.setEffect(3, effect),
      '010301640000000000ff00054000'.padEnd(36, '0'),
      placed(0x31, 8, [
        ...([
          [0, 7, 100],
          [7, 12, 1024],
          [19, 1, 1],
          [20, 1, 1],
        ] as const),
        ...([
          [24, 24, 100_000],
          [48, 5, 2],
          [53, 6, 3],
        ] as const),
      ]),
    ],
    [
      '10 N·m',
      (p) => p.setConstant(3, 10),
      '05037f00',
      placed(65, 3, [
        [0, 17, 10_000],
        [17, 6, 3],
      ]),
    ],
    [
      '−20 N·m',
      (p) => p.setConstant(40, -20),
      '052801ff',
      placed(65, 3, [
        [0, 17, -20_000],
        [17, 6, 40],
      ]),
    ],
    [
      'periodic',
      (p) => p.setPeriodic(1, periodic),
      '04017fe0803200',
      placed(66, 9, [
        [0, 24, 50_000],
        [24, 10, 314],
        [34, 6, 1],
        [40, 16, -5000],
        [56, 16, 10_000],
      ]),
    ],
    [
      'ramp from −20 to 20 N·m',
      (p) => p.setRamp(2, -20, 20),
      '0602807f',
      placed(67, 6, [
        [0, 20, 20_000],
        [20, 20, -20_000],
        [40, 6, 2],
      ]),
    ],
    [
      'condition',
      (p) => p.setCondition(1, condition),
      '030100' + '3f7f80' + 'ff7f19',
      placed(68, 10, [
        ...([
          [0, 15, 10_000],
          [15, 15, 20_000],
          [30, 11, -1000],
          [41, 11, 1000],
        ] as const),
        ...([
          [52, 11, 500],
          [63, 10, 100],
          [73, 6, 1],
          [79, 1, 0],
        ] as const),
      ]),
    ],
    [
      'envelope',
      (p) => p.setEnvelope(1, envelope),
      '020100ff0a001400',
      placed(69, 11, [
        [0, 6, 1],
        [6, 24, 20_000],
        [30, 24, 10_000],
        [54, 16, 20_000],
        [70, 16, 0],
      ]),
    ],
    [
      'start',
      (p) => p.operate(5, 'start'),
      '0a050101',
      placed(70, 2, [
        [0, 4, 1],
        [4, 2, 2],
        [6, 6, 5],
      ]),
    ],
    [
      'start solo',
      (p) => p.operate(5, 'startSolo'),
      '0a050201',
      placed(70, 2, [
        [0, 4, 1],
        [4, 2, 1],
        [6, 6, 5],
      ]),
    ],
    [
      'stop',
      (p) => p.operate(5, 'stop'),
      '0a050301',
      placed(70, 2, [
        [0, 4, 1],
        [4, 2, 0],
        [6, 6, 5],
      ]),
    ],
    ['enable', (p) => p.control('enable'), '0c01', '4708'],
    ['disable', (p) => p.control('disable'), '0c02', '4704'],
    ['stop all', (p) => p.control('stopAll'), '0c03', '4702'],
    ['reset', (p) => p.control('reset'), '0c04', '4701'],
    ['a device gain of a half', (p) => p.setDeviceGain(0.5), '0d7f', placed(64, 2, [[0, 10, 500]])],
    ['create', (p) => p.createEffect('sine'), '01040000', '5003'],
  ];
  test.each(cases)('%s', (_, make, inStandard, inOther) => {
    expect(hex(make(standard))).toBe(inStandard);
    expect(hex(make(other))).toBe(inOther);
  });
});

describe('a constant torque ends by itself', () => {
  test('is the effect, its torque, then the start that begins its time anew', () => {
    const reports = standard.constantTorque(3, 10, 0.05, AIM);
    expect(reports.map(({ kind, id }) => [kind, id])).toEqual([
      ['output', 1],
      ['output', 5],
      ['output', 10],
    ]);
    expect(physicalIn(parseDescriptor(STANDARD_LAYOUT), reports[0], PID.duration)).toBe(50);
    expect(
      physicalIn(parseDescriptor(STANDARD_LAYOUT), reports[2] ?? reports[0], PID.loopCount),
    ).toBe(1);
  });

  test.each([0.1, 0.099, 0.001])('lasts %d s where that is asked for', (duration) => {
    const [effect] = other.constantTorque(1, 1, duration, AIM);
    const held = physicalIn(parseDescriptor(OTHER_LAYOUT), effect, PID.duration) / 1e6;
    expect(held).toBeCloseTo(duration, 9);
  });

  test.each([0.1001, 1, Infinity, NaN, 0, -0.05])('%d s is refused', (duration) => {
    expect(() => standard.constantTorque(1, 1, duration, AIM)).toThrow(/link\/ability/u);
  });

  test('a time so short that the device would take it for none is refused: 0.0009 s in ms', () => {
    expect(() => standard.constantTorque(1, 1, 0.0009, AIM)).toThrow(
      /above 0 s and below 32.767 s/u,
    );
  });

  test.each([20.01, -20.01, Infinity, NaN])('%d N·m of ±20 N·m is refused', (torque) => {
    expect(() => standard.constantTorque(1, torque, 0.1, AIM)).toThrow(/link\/ability/u);
    expect(() => other.constantTorque(1, torque, 0.1, AIM)).toThrow(/link\/ability/u);
  });
});

test.each([Infinity, NaN, 32.767, 40, 0, -1])(
  'no effect lasts %d s, which is no end or no time',
  (duration) => {
    const effect = { ...AIM, type: 'sine', duration, gain: 1 } as const;
    expect(() => standard.setEffect(1, effect)).toThrow(/link\/ability/u);
  },
);

test('a level without a unit needs the full torque to be known', () => {
  const blind = new PidReports(parseDescriptor(STANDARD_LAYOUT));
  expect(() => blind.setConstant(1, 1)).toThrow(/no torque at its greatest value is known/u);
  expect(() => new PidReports(parseDescriptor(STANDARD_LAYOUT), 0).setConstant(1, 0)).toThrow(
    /link\/ability/u,
  );
});

test.each<[string, (p: PidReports) => unknown, RegExp]>([
  ['block 0', (p) => p.setConstant(0, 1), /1 … 40; 0/u],
  ['block 41', (p) => p.setConstant(41, 1), /1 … 40; 41/u],
  ['a gain of 1.1', (p) => p.setDeviceGain(1.1), /0 … 1 1; 1.1/u],
  ['a gain of −0.1', (p) => p.setDeviceGain(-0.1), /link\/ability/u],
  [
    'a magnitude below 0',
    (p) => p.setPeriodic(1, { magnitude: -1, offset: 0, phase: 0, period: 1 }),
    /0 … 20|link\/ability/u,
  ],
  [
    'axis Z, which it has not',
    (p) => p.setEffect(1, { ...AIM, axes: [0x1_0032], type: 'sine', duration: 1, gain: 1 }),
    /no axis 0x010032/u,
  ],
  [
    'a direction of 7 rad',
    (p) => p.setEffect(1, { ...AIM, direction: 7, type: 'sine', duration: 1, gain: 1 }),
    /rad; 7 rad/u,
  ],
])('%s is link/ability', (_, make, why) => {
  expect(() => make(standard)).toThrow(/link\/ability/u);
  expect(() => make(standard)).toThrow(why);
});

describe('what a descriptor lacks is link/ability', () => {
  /** The standard layout with one usage renamed to one that means nothing. */
  const without = (usage: number): PidReports => {
    const bytes = Buffer.from(STANDARD_LAYOUT);
    const item = Uint8Array.of(0x09, usage);
    for (let at = bytes.indexOf(item); at >= 0; at = bytes.indexOf(item)) bytes[at + 1] = 0xee;
    return new PidReports(parseDescriptor(bytes), FULL);
  };
  const effect = { ...AIM, type: 'constantForce', duration: 0.1, gain: 1 } as const;
  test.each<[string, number, (p: PidReports) => unknown]>([
    ['the duration', PID.duration, (p) => p.setEffect(1, effect)],
    ['the gain', PID.gain, (p) => p.setEffect(1, effect)],
    ['direction enable', PID.directionEnable, (p) => p.setEffect(1, effect)],
    ['the direction', PID.direction, (p) => p.setEffect(1, effect)],
    ['axes enable', PID.axesEnable, (p) => p.setEffect(1, effect)],
    ['the type', PID.constantForce, (p) => p.setEffect(1, effect)],
    ['the block index', PID.effectBlockIndex, (p) => p.setEffect(1, effect)],
    ['the magnitude', PID.magnitude, (p) => p.setConstant(1, 1)],
    ['the report of constant forces', PID.setConstantForceReport, (p) => p.setConstant(1, 1)],
    ['the start', PID.opEffectStart, (p) => p.operate(1, 'start')],
    ['the loop count', PID.loopCount, (p) => p.operate(1, 'start')],
    ['stop all', PID.dcStopAllEffects, (p) => p.control('stopAll')],
    ['the pool report', PID.poolReport, (p) => p.poolRequest],
  ])('%s', (_, usage, make) => {
    expect(() => make(without(usage))).toThrow(/link\/ability: The report descriptor has no/u);
  });

  test('the other layout has no ramp among its types and no pool', () => {
    expect(() => other.createEffect('ramp')).toThrow(/has no ramp \(0x0f0027\)/u);
    expect(() => other.poolRequest).toThrow(/link\/ability/u);
  });
});

test('the trigger is a value that is no button: 0 of 1 … 8, 255 of 0 … 8; of 0 … 255 there is none', () => {
  const text = Buffer.from(STANDARD_LAYOUT).toString('hex');
  const withSpan = (span: string): PidReports => {
    const changed = text.replace('095315012508', `0953${span}`);
    expect(changed).not.toBe(text);
    return new PidReports(parseDescriptor(Uint8Array.from(Buffer.from(changed, 'hex'))), FULL);
  };
  const effect = { ...AIM, type: 'sine', duration: 1, gain: 1 } as const;
  expect(standard.setEffect(1, effect).bytes[10]).toBe(0);
  expect(withSpan('15002508').setEffect(1, effect).bytes[10]).toBe(255);
  expect(() => withSpan('150026ff00').setEffect(1, effect)).toThrow(/none says that there is no/u);
});

describe('replies', () => {
  test('block load: success with index and bytes left, where told', () => {
    expect(standard.blockLoadRequest).toMatchObject({ kind: 'feature', id: 2 });
    expect(standard.readBlockLoad(Uint8Array.of(2, 7, 1, 0x34, 0x12))).toEqual({
      block: 7,
      available: 0x1234,
    });
    expect(other.blockLoadRequest).toMatchObject({ kind: 'feature', id: 81 });
    expect(other.readBlockLoad(Uint8Array.of(81, 4, 9))).toEqual({ block: 9 });
  });

  test.each<[string, PidReports, readonly number[], RegExp]>([
    ['full', standard, [2, 0, 2, 0, 0], /link\/refused: The device has no memory left/u],
    ['error', standard, [2, 0, 3, 0, 0], /link\/refused: The device refused/u],
    ['full, as a bit', other, [81, 2, 0], /link\/refused: The device has no memory left/u],
    ['error, as a bit', other, [81, 1, 0], /link\/refused: The device refused/u],
    ['no status', standard, [2, 1, 0, 0, 0], /link\/garbled.*has none of blockLoadSuccess/u],
    ['no status, as bits', other, [81, 0, 1], /link\/garbled/u],
    ['success without a block', standard, [2, 0, 1, 0, 0], /link\/garbled.*0 as effectBlockIndex/u],
    ['a block of 41 of 40', standard, [2, 41, 1, 0, 0], /link\/garbled.*41/u],
    ['another id', standard, [3, 1, 1, 0, 0], /link\/garbled.*id 3/u],
    ['a byte too few', standard, [2, 1, 1, 0], /link\/garbled.*4 bytes/u],
    ['a byte too many', standard, [2, 1, 1, 0, 0, 0], /link\/garbled.*6 bytes/u],
    ['nothing', standard, [], /link\/garbled.*0 bytes/u],
  ])('block load: %s', (_, reports, reply, why) => {
    expect(() => reports.readBlockLoad(Uint8Array.from(reply))).toThrow(why);
  });

  test('state, with what the descriptor has and no more', () => {
    expect(standard.readState(Uint8Array.of(2, 0b0_0010, 0b1 | (3 << 1)))).toEqual({
      ...{ block: 3, isPlaying: true, areActuatorsEnabled: true, hasActuatorPower: false },
      ...{ isPaused: false, safetySwitch: false, overrideSwitch: false },
    });
    expect(standard.readState(Uint8Array.of(2, 0b1_0101, 0))).toEqual({
      ...{ block: 0, isPlaying: false, areActuatorsEnabled: false, hasActuatorPower: true },
      ...{ isPaused: true, safetySwitch: true, overrideSwitch: false },
    });
    expect(other.readState(Uint8Array.of(82, 0b0100_0101))).toEqual({
      block: 5,
      isPlaying: false,
      areActuatorsEnabled: true,
    });
  });

  test('pool of 65535 bytes, 8 effects at a time, managed by the device', () => {
    expect(standard.readPool(Uint8Array.of(3, 0xff, 0xff, 8, 1))).toEqual({
      size: 65_535,
      simultaneous: 8,
      isDeviceManaged: true,
    });
  });

  test('300 random replies end in a state or in link/garbled', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 8 }), (bytes) => {
        for (const read of ['readState', 'readPool', 'readBlockLoad'] as const) {
          try {
            standard[read](bytes);
          } catch (error) {
            expect(String(error)).toMatch(/link\/(?:garbled|refused)/u);
          }
        }
      }),
      { numRuns: 300, seed: 1 },
    );
  });
});

test.each([
  ['the standard layout', standard, STANDARD_LAYOUT, 10_000 / FULL, FULL / 255],
  ['the other layout', other, OTHER_LAYOUT, 1000, 0.001],
] as const)(
  '200 torques come out of %s as they went in, none greater',
  (_, reports, layout, per, part) => {
    const descriptor = parseDescriptor(layout);
    const block = fc.integer({ min: 1, max: 40 });
    fc.assert(
      fc.property(fc.double({ min: -FULL, max: FULL, noNaN: true }), block, (torque, index) => {
        const report = reports.setConstant(index, torque);
        const held = physicalIn(descriptor, report, PID.magnitude) / per;
        expect(physicalIn(descriptor, report, PID.effectBlockIndex)).toBeCloseTo(index, 9);
        expect(Math.abs(held)).toBeLessThanOrEqual(Math.abs(torque) + 1e-9);
        expect(Math.abs(held - torque)).toBeLessThan(part + 1e-9);
      }),
      { numRuns: 200, seed: 1 },
    );
  },
);

test.each([
  ['the standard layout', standard, STANDARD_LAYOUT, 1e3],
  ['the other layout', other, OTHER_LAYOUT, 1e6],
] as const)('200 durations up to 0.1 s come out of %s, none longer', (_, reports, layout, per) => {
  const descriptor = parseDescriptor(layout);
  fc.assert(
    fc.property(fc.double({ min: 0.001, max: 0.1, noNaN: true }), (duration) => {
      const [effect] = reports.constantTorque(1, 0, duration, AIM);
      const held = physicalIn(descriptor, effect, PID.duration) / per;
      expect(held).toBeLessThanOrEqual(duration + 1e-9);
      expect(duration - held).toBeLessThan(1 / per + 1e-9);
    }),
    { numRuns: 200, seed: 1 },
  );
});
