import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { ErrorCode } from '../../src/base/codes.js';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { readStation } from '../../src/procedure/schema.js';

const FILE = 'procedures/benches/tw-1.yaml';
const SHIPPED = readFileSync(new URL(`../../${FILE}`, import.meta.url), 'utf8');

function problemsOf(text: string): readonly Problem[] {
  try {
    readStation(text, FILE);
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
}

/** The shipped register with changes, each of a text that stands there. */
function changed(...changes: readonly (readonly [from: string, to: string])[]): string {
  return changes.reduce((text, [from, to]) => {
    expect(text).toContain(from);
    return text.replace(from, to);
  }, SHIPPED);
}

const WRONG: readonly {
  readonly name: string;
  readonly from: string;
  readonly to: string;
  readonly code: ErrorCode;
  readonly says: readonly string[];
}[] = [
  {
    name: 'due before it was calibrated',
    from: 'due: 2036-05-19',
    to: 'due: 2026-05-18',
    code: 'equipment/order',
    says: ['alibration "SL-26-1190"', '2026-05-18', '2026-05-19'],
  },
  {
    name: 'in service before it was calibrated',
    from: 'in-service: 2026-05-20',
    to: 'in-service: 2026-05-17',
    code: 'equipment/order',
    says: ['alibration "SL-26-1187"', 'in service from 2026-05-17', '2026-05-18'],
  },
  {
    name: 'out of service before it is in',
    from: 'out-of-service: 2026-05-13',
    to: 'out-of-service: 2025-05-14',
    code: 'equipment/order',
    says: ['out of service from 2025-05-14', 'in service only from 2025-05-14'],
  },
  {
    name: 'the younger one listed first',
    from: 'due: 2026-05-19\n',
    to: 'due: 2026-05-19\n        in-service: 2026-05-30\n',
    code: 'equipment/order',
    says: ['in service from 2026-05-20', 'from 2026-05-30', 'oldest first'],
  },
  {
    name: 'two in force at once, by their dates',
    from: 'out-of-service: 2026-05-13',
    to: 'out-of-service: 2026-05-21',
    code: 'equipment/overlap',
    says: ['alibration "SL-26-1187"', 'from 2026-05-20', 'until 2026-05-21', 'two at once'],
  },
  {
    name: 'two in force at once, from one day on',
    from: 'due: 2026-05-19\n',
    to: 'due: 2026-05-19\n        in-service: 2026-05-20\n',
    code: 'equipment/overlap',
    says: ['alibration "SL-26-1190"', 'two at once'],
  },
  {
    name: 'one certificate twice',
    from: 'SL-25-0965',
    to: 'SL-26-1190',
    code: 'procedure/duplicate',
    says: ['A second calibration is called "SL-26-1190"'],
  },
  {
    name: 'a day that does not exist',
    from: 'due: 2036-06-02',
    to: 'due: 2036-02-30',
    code: 'document/value',
    says: ['2036-02-30', 'no day of the calendar'],
  },
  {
    name: 'a date that cannot be read',
    from: 'due: 2036-06-02',
    to: 'due: June 2036',
    code: 'document/value',
    says: ['June 2036', 'a date such as'],
  },
  {
    name: 'a quantity nobody measures',
    from: 'quantity: voltage',
    to: 'quantity: taste',
    code: 'document/value',
    says: ['taste', 'sound pressure'],
  },
  {
    name: 'a warm-up without its unit',
    from: 'warm-up: 30 min',
    to: 'warm-up: 1800 s',
    code: 'document/value',
    says: ['1800 s', 'whole minutes'],
  },
  {
    name: 'a zone that does not exist',
    from: 'nest: 1',
    to: 'zone: Europe/Tarnwick\nnest: 1',
    code: 'document/value',
    says: ['Europe/Tarnwick', 'IANA'],
  },
];

for (const { name, from, to, code, says } of WRONG) {
  test(`${name} is refused with ${code} at its place`, () => {
    const found = problemsOf(changed([from, to]));
    expect(found.map((p) => p.code)).toEqual([code]);
    expect(found[0]?.where?.file).toBe(FILE);
    for (const text of says) {
      expect(`${found[0]?.what ?? ''} ${found[0]?.fix ?? ''}`).toContain(text);
    }
  });
}

test('all problems of a register are told at once', () => {
  const text = changed(...WRONG.slice(0, 2).map(({ from, to }) => [from, to] as const), [
    'nest: 1',
    'zone: Europe/Tarnwick\nnest: 1',
  ]);
  expect(problemsOf(text).map((p) => p.code)).toEqual([
    'document/value',
    'equipment/order',
    'equipment/order',
  ]);
});

test('the shipped register is read with its history, oldest first', () => {
  const { register, zone } = readStation(SHIPPED, FILE);
  expect(zone).toBe('UTC');
  expect(register.map(({ id, quantity }) => [id, quantity])).toEqual([
    ['TT-204', 'torque'],
    ['CS-11', 'current'],
    ['DG-3', 'voltage'],
    ['MP-6', 'sound pressure'],
  ]);
  const [transducer, sensor] = register;
  expect(transducer).toMatchObject({ serial: '20-88317', warmUp: 1800 });
  expect(transducer.calibrations.map((c) => c.certificate)).toEqual(['SL-25-0962', 'SL-26-1187']);
  expect(transducer.calibrations[1]).toMatchObject({ inService: '2026-05-20', gain: 1.0002 });
  // Left out: from the day after.
  expect(sensor?.calibrations[1]).toMatchObject({
    calibrated: '2026-05-19',
    inService: '2026-05-20',
  });
  expect(sensor?.warmUp).toBeUndefined();
});

test('a due date may be missing in the file, and a zone may be given', () => {
  const text = changed(
    ['        due: 2036-05-19\n', ''],
    ['nest: 1', 'zone: Europe/Berlin\nnest: 1'],
  );
  const { register, zone } = readStation(text, FILE);
  expect(zone).toBe('Europe/Berlin');
  expect(register[1]?.calibrations[1]?.due).toBeUndefined();
});

test('an instant may say when an instrument went into service', () => {
  const text = changed(['in-service: 2026-05-20', 'in-service: 2026-05-20T09:30:00Z']);
  expect(readStation(text, FILE).register[0].calibrations[1]?.inService).toBe(
    '2026-05-20T09:30:00Z',
  );
});
