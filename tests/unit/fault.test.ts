import { describe, expect, test } from 'vitest';
import { CODES } from '../../src/base/codes.js';
import { StallmarkError } from '../../src/base/error.js';
import {
  FAULTS,
  type FaultName,
  faultNamed,
  listFaults,
  readFaults,
  SEVERITIES,
  withFaults,
} from '../../src/bench/fault.js';
import { drawItem, drawStand, type Parameters, UNDISTURBED } from '../../src/bench/spread.js';
import { trueValues, type Truth } from '../../src/bench/truth.js';
import { STATION as station } from '../support/station.js';

const SERIAL = 'H12-26-04711';
const good: Parameters = {
  item: drawItem(SERIAL, 361),
  stand: drawStand(station, SERIAL, 1),
  ...UNDISTURBED,
};
const truthWith = (...faults: FaultName[]): Truth =>
  trueValues({ station, serial: SERIAL, attempt: 1, faults });
const healthy = truthWith();

/** What a fault may change, where it is not the part it is blamed on. */
const PART: Readonly<Record<string, keyof Parameters>> = {
  'device-hang': 'incidents',
  'fault-code': 'incidents',
  'wrong-model': 'item',
  'guard-opened': 'incidents',
  'emergency-stop': 'incidents',
  'presence-lost': 'incidents',
};

describe.each(FAULTS)('$name', ({ name, blames, severities, expect: ids, stages }) => {
  test('changes one part and nothing else, and each severity otherwise', () => {
    const part = PART[name] ?? blames;
    const all = SEVERITIES.map((severity) => withFaults(good, [`${name}:${severity}`]));
    for (const bad of all) {
      expect(bad[part]).not.toEqual(good[part]);
      expect({ ...bad, [part]: good[part] }).toEqual(good);
    }
    expect(new Set(all.map((bad) => JSON.stringify(bad[part]))).size).toBe(SEVERITIES.length);
  });

  test('is of the middle severity when none is named', () => {
    expect(withFaults(good, [name])).toEqual(withFaults(good, [`${name}:middle`]));
    expect(faultNamed(name).severity).toBe('middle');
  });

  test('says what is wrong in one sentence for each severity, and what should find it', () => {
    const sentences = SEVERITIES.map((severity) => severities[severity].what);
    expect(new Set(sentences).size).toBe(SEVERITIES.length);
    for (const sentence of sentences) expect(sentence).toMatch(/^[A-Z0-9].*[^.]\.$/u);
    expect(ids.length).toBeGreaterThan(0);
    expect(new Set(stages).size).toBe(stages.length);
    for (const id of ids) expect(id.includes('/') ? id in CODES : true, id).toBe(true);
  });
});

test('names are unique and no severity is a name', () => {
  const names = FAULTS.map((fault) => fault.name);
  expect(new Set(names).size).toBe(FAULTS.length);
  for (const name of names) expect(name).toMatch(/^[a-z0-9]+(-[a-z0-9]+)*$/u);
});

test('several faults apply together, in whatever order they are named', () => {
  const both = withFaults(good, ['hum:severe', 'weak-magnets']);
  expect(both).toEqual(withFaults(good, ['weak-magnets:middle', 'hum:severe']));
  expect(both.stand.hum).toBe(0.08);
  expect(both.item.torqueConstant).toBeCloseTo(0.94 * good.item.torqueConstant, 12);
  const two = withFaults(good, ['guard-opened:severe', 'device-hang:slight']).incidents;
  expect(two).toEqual([
    { what: 'device-hang', torque: 0 },
    { what: 'guard-opened', torque: 10 },
  ]);
});

describe('names from a person', () => {
  const refusal = (...texts: string[]): StallmarkError['problems'] => {
    try {
      readFaults(texts);
    } catch (error) {
      if (error instanceof StallmarkError) return error.problems;
      throw error;
    }
    throw new Error('accepted');
  };

  test('known ones are taken as they are', () => {
    expect(readFaults(['wrong-slew', 'hum:slight'])).toEqual(['wrong-slew', 'hum:slight']);
    expect(readFaults([])).toEqual([]);
  });

  test('an unknown name is refused with the nearest known one', () => {
    expect(refusal('wrong-slow')).toEqual([
      {
        code: 'usage/argument',
        what: 'The simulated bench knows no fault "wrong-slow".',
        fix: 'Write "wrong-slew".',
      },
    ]);
    expect(refusal('xyzzy')[0].fix).toContain('weak-magnets, high-resistance');
  });

  test('an unknown severity is refused with the nearest one, or all of them', () => {
    expect(refusal('hum:sever')[0]).toEqual({
      code: 'usage/argument',
      what: 'The fault "hum" has no severity "sever".',
      fix: 'Write "severe".',
    });
    expect(refusal('hum:')[0].fix).toBe('Give one of: hum:slight, hum:middle, hum:severe.');
    expect(refusal('hum:middle:middle')[0].code).toBe('usage/argument');
  });

  test('one fault at two severities is refused, and all problems come at once', () => {
    const found = refusal('hum', 'hum:severe', 'nothing-like-it', 'toString');
    expect(found.map(({ what }) => what)).toEqual([
      'The fault "hum" is asked for twice.',
      'The simulated bench knows no fault "nothing-like-it".',
      'The simulated bench knows no fault "toString".',
    ]);
  });

  test('the list names every fault, whom to blame, and the severities', () => {
    const lines = listFaults().split('\n');
    expect(lines).toHaveLength(FAULTS.length + 1);
    for (const severity of SEVERITIES) expect(lines[0]).toContain(severity);
    for (const [i, { name, blames, severities }] of FAULTS.entries()) {
      for (const word of [name, blames, severities.middle.what])
        expect(lines[i + 1]).toContain(word);
    }
  });
});

describe('true values', () => {
  test('weak magnets lower torque constant and static gain by 6 %', () => {
    const weak = truthWith('weak-magnets');
    expect(weak.torqueConstant / healthy.torqueConstant).toBeCloseTo(0.94, 12);
    expect(weak.staticGain / healthy.staticGain).toBeCloseTo(0.94, 12);
  });

  test('an encoder that is 12° off leaves the cosine of the torque, 97.8 %, and lets it vary by 1 %', () => {
    const bad = truthWith('encoder-offset');
    const ratio = bad.torqueConstant / healthy.torqueConstant;
    const wave = bad.commutation + healthy.commutation;
    expect(Math.abs(ratio / 0.97815 - 1)).toBeLessThan(wave);
    expect(bad.commutation - healthy.commutation).toBeCloseTo(0.0109, 4);
  });

  test('late firmware adds 1 ms to dead time, to every lag and to the delay of every loop', () => {
    const late = truthWith('late-firmware');
    expect(late.deadTime - healthy.deadTime).toBeCloseTo(1e-3, 12);
    for (let s = 0; s < 6; s++) {
      expect((late.lag[s] ?? NaN) - (healthy.lag[s] ?? NaN)).toBeCloseTo(1e-3, 12);
      expect((late.loopDelay[s] ?? NaN) - (healthy.loopDelay[s] ?? NaN)).toBeCloseTo(1e-3, 12);
    }
  });

  test('swapped smoothing exchanges the lags of two settings alone', () => {
    const [s0, s1, s2, s3, s4, s5] = healthy.lag;
    expect(truthWith('swapped-smoothing').lag).toEqual([s0, s1, s2, s4, s3, s5]);
    expect(truthWith('swapped-smoothing:slight').lag).toEqual([s0, s1, s2, s3, s5, s4]);
    expect(truthWith('swapped-smoothing:severe').lag).toEqual([s0, s1, s3, s2, s4, s5]);
  });

  test('a loose coupling brings the resonance to 190 Hz', () => {
    expect(truthWith('loose-coupling').resonance).toBeCloseTo(190, 9);
  });

  test('a soft loop lags by 0.53 ms, a hard one hardly at all', () => {
    expect(truthWith('detuned-low').loopLag).toBeCloseTo(1 / (2 * Math.PI * 300), 5);
    expect(truthWith('detuned-high').loopLag).toBeLessThan(0.1e-3);
  });

  test('a weak supply of 1 Ω sags to about 43.1 V at peak, a good one holds 47 V', () => {
    expect(truthWith('weak-supply').supplyAtPeak).toBeCloseTo(43.1, 0);
    expect(healthy.supplyAtPeak).toBeGreaterThan(47);
  });

  test('a slow digitizer clock makes the device seem 900 ppm fast', () => {
    const skew = truthWith('clock-skew').clockSkew - healthy.clockSkew;
    expect(skew * 1e6).toBeCloseTo(900.9, 0);
  });

  test('the wheel loop of the design: 76 N·m/rad at setting 2 by the linear rule, within 2 %', () => {
    const [drag, damping, period] = [0.03, 0.3, 1e-3];
    const critical = (drag + damping) / (period / 2 + (healthy.loopDelay[2] ?? NaN));
    expect(Math.abs(critical / 77 - 1)).toBeLessThan(0.02);
  });
});
