import { describe, expect, test } from 'vitest';
import { ampere, hertz, newtonMetre } from '../../src/base/units.js';
import { type Frame, frameOf } from '../../src/bench/converter.js';
import { Firmware, meanHeld } from '../../src/bench/firmware.js';
import { FAULT_CODES, Plant, SAMPLE_RATE } from '../../src/bench/plant.js';
import { drawItem, drawStand, type Parameters } from '../../src/bench/spread.js';
import { Friction } from '../../src/bench/stand.js';
import { Amplifier } from '../../src/bench/transducer.js';
import { STATION } from '../support/station.js';

/** An H12 without spread or noise, on a stand of 361 Hz: what the design figures of the maker reckon with. */
function ideal(change: Partial<Parameters['item']> = {}): Parameters {
  const station = { ...STATION, torqueRange: newtonMetre(40), currentRange: ampere(40) };
  return {
    item: {
      ...drawItem('ideal', 361),
      torqueConstant: 0.6,
      assumedConstant: 0.6,
      split: 0,
      droop: 0,
      resistance: 0.35,
      loop: { kind: 'cancelling', frequency: 800 },
      currentNoise: 0,
      offset: 0,
      ripple: [0, 0],
      deadTime: 0.6e-3,
      friction: 0,
      cogging: 0,
      inertia: 6700 / (2 * Math.PI * 361) ** 2,
      clockSkew: 0,
      ...change,
    },
    stand: {
      ...drawStand(station, 'ideal', 1),
      torqueGain: 0,
      currentGain: 0,
      zero: 0,
      drift: 0,
      preload: 0,
      angle: 0,
      torqueNoise: 0,
      hum: 0,
      currentNoise: 0,
      supplyNoise: 0,
      windingNoise: 0,
      supplyVoltage: 48,
      ambient: 23,
      converterDelay: 0,
    },
  };
}

const KT = 0.6;

function played(parameters: Parameters, command: Float64Array, rate: number, smoothing = 0): Frame {
  const plant = new Plant(parameters, 1e6);
  plant.enable(20);
  plant.beginTake('test');
  plant.start({ rate: hertz(rate), command }, { smoothing, fixture: 'coupled' });
  const frame = frameOf(Math.round((command.length / rate) * SAMPLE_RATE));
  plant.run(frame, 0, frame.command.length);
  return frame;
}

/** 20 ms at `from`, then 180 ms at `to`, at 1 kHz. */
function step(from: number, to: number): Float64Array {
  return Float64Array.from({ length: 200 }, (_, i) => (i < 20 ? from : to));
}

/** Time in ms between two shares of a step from 0 to `to`, on samples after the edge. */
function between(samples: Float32Array, to: number, shares: readonly [number, number]): number {
  const [first, second] = shares.map((share) => {
    for (let i = 401; i < samples.length; i++) {
      const [a, b] = [(samples[i - 1] as number) / to, (samples[i] as number) / to];
      if (a < share && b >= share) return i - 1 + (share - a) / (b - a);
    }
    return NaN;
  });
  return (((second ?? NaN) - (first ?? NaN)) / SAMPLE_RATE) * 1000;
}

const peak = (samples: Float32Array): number => samples.reduce((a, b) => Math.max(a, b), -Infinity);

function rms(samples: Float32Array): number {
  const mean = samples.reduce((a, b) => a + b, 0) / samples.length;
  return Math.sqrt(samples.reduce((a, b) => a + (b - mean) ** 2, 0) / samples.length);
}

describe('steps of the H12 against the reckoned table', () => {
  // step N·m, setting, motor rise ms, shaft rise ms, shaft overshoot %
  const rows = [
    [3, 0, 0.57, 0.55, 79],
    [6, 0, 0.88, 0.67, 67],
    [12, 0, 1.63, 1.02, 29],
    [3, 2, 2.7, 1.23, 15],
    [3, 3, 5.4, 4.2, 2.4],
  ] as const;
  for (const [torque, setting, motor, shaft, overshoot] of rows) {
    test(`${torque} N·m at setting ${setting}: rise ${motor} and ${shaft} ms, shaft overshoot ${overshoot} %`, () => {
      const { current, torque: shaftTorque } = played(ideal(), step(0, torque), 1000, setting);
      // Samples are means over 50 µs: 0.06 ms is what the station states for times.
      expect(Math.abs(between(current, torque / KT, [0.1, 0.9]) - motor)).toBeLessThan(0.06);
      expect(Math.abs(between(shaftTorque, torque, [0.1, 0.9]) - shaft)).toBeLessThan(0.06);
      expect(Math.abs(100 * (peak(shaftTorque) / torque - 1) - overshoot)).toBeLessThan(2);
      expect((peak(current) * KT) / torque - 1).toBeLessThan(0.001); // the motor does not overshoot
    });
  }

  test('−12 → +12 N·m slews at 6 N·m/ms', () => {
    const { current } = played(ideal(), step(-12, 12), 1000);
    const shifted = current.map((a) => a + 20).map((a, i) => (i < 400 ? 0 : a));
    expect(14.4 / between(shifted, 40, [0.2, 0.8])).toBeCloseTo(6, 1);
  });
});

test.each([0, 1, 2, 3, 4, 5])(
  'setting %i lags by dead time + 1/ωc + 2/(2π·fc) on a ramp, to 1.5 µs',
  (s) => {
    const corner = [0, 400, 200, 100, 50, 25][s] ?? NaN;
    const closed =
      0.6e-3 + 1 / (2 * Math.PI * 800) + (corner === 0 ? 0 : 2 / (2 * Math.PI * corner));
    const n = 4000;
    const command = Float64Array.from({ length: n }, (_, i) => (2 * i) / n - 1); // 0.5 N·m/s
    const frame = played(ideal(), command, 1000, s);
    let behind = 0;
    for (let i = 40_000; i < 60_000; i++) {
      behind += ((frame.command[i] as number) - KT * (frame.current[i] as number)) / 20_000;
    }
    expect(Math.abs(behind / 0.5 - closed)).toBeLessThan(1.5e-6);
  },
);

test('dead time is exact wherever an update falls between two ticks', () => {
  for (const rate of [1000, 997, 1013.7]) {
    for (const deadTime of [0.571e-3, 0.6e-3, 0.6123e-3]) {
      const chain = { deadTime, smoothing: [0], slew: 1e15 };
      const firmware = new Firmware(chain, 50e-6, 1);
      firmware.limit(10);
      firmware.start(
        Float64Array.from({ length: 200 }, (_, i) => (i < 7 ? 0 : 1)),
        rate,
        0,
      );
      let area = 0; // between command and set point: the delay, as both rise by 1
      for (let tick = 0; tick < 1000; tick++) {
        const before = firmware.tick();
        area += (firmware.latched - before) * 50e-6;
      }
      // The set point as held is half a period later than its ticks; the loop adds 1.5 periods to those.
      expect(area + (1.5 - 0.5) * 50e-6).toBeCloseTo(deadTime, 12);
    }
  }
});

describe('mean of held updates', () => {
  const updates = Float64Array.of(1, 3);
  const rows = [
    [-2, -1, 0],
    [0, 0.5, 1],
    [-0.5, 0.5, 0.5],
    [0.75, 1.25, 2],
    [1.5, 9, 3],
    [-1, 2, 4 / 3],
  ] as const;
  for (const [from, to, want] of rows) {
    test(`from ${from} to ${to} updates it is ${want.toFixed(3)}`, () => {
      expect(meanHeld(updates, from, to)).toBeCloseTo(want, 12);
    });
  }
});

test('the torque channel is 0.34 ms late on a ramp, to 1 ns', () => {
  const step = 1e-5;
  for (const delay of [0.34e-3, 0.3437e-3]) {
    const amplifier = new Amplifier(delay, step);
    let out = 0;
    let n = 0;
    for (; n < 5000; n++) out = amplifier.advance(n * step);
    expect(Math.abs((n - 1) * step - out - delay)).toBeLessThan(1e-9);
  }
});

test('grain of a 6 N·m sine held at 100 Hz, by setting, within 4 %', () => {
  const command = Float64Array.from(
    { length: 3000 },
    (_, i) => 6 * Math.sin((2 * Math.PI * Math.floor(i / 10)) / 100),
  );
  for (const [setting, want] of [72, 62, 50, 30, 12, 3.5].entries()) {
    const torque = played(ideal(), command, 1000, setting)
      .current.subarray(20_000)
      .map((a) => KT * a);
    const n = torque.length;
    let [re, im] = [0, 0];
    torque.forEach((t, i) => {
      re += (2 / n) * t * Math.cos((2 * Math.PI * i) / SAMPLE_RATE);
      im += (2 / n) * t * Math.sin((2 * Math.PI * i) / SAMPLE_RATE);
    });
    const rest = torque.map(
      (t, i) =>
        t -
        re * Math.cos((2 * Math.PI * i) / SAMPLE_RATE) -
        im * Math.sin((2 * Math.PI * i) / SAMPLE_RATE),
    );
    expect(Math.abs((1000 * rms(rest)) / want - 1)).toBeLessThan(0.04);
  }
});

describe('friction', () => {
  test('slides at its level after a long way, either direction', () => {
    const friction = new Friction(0.025, 1e-5);
    let up = 0;
    let down = 0;
    for (let i = 0; i < 1e5; i++) up = friction.advance(1e-9);
    for (let i = 0; i < 1e5; i++) down = friction.advance(-1e-9);
    expect(up).toBeCloseTo(0.025, 4);
    expect(down).toBeCloseTo(-0.025, 4);
  });

  test('does not creep under a small load with dither, as a bare Dahl element would', () => {
    // Travel to and fro with a bias, inside the elastic share: it comes back to where it was.
    const friction = new Friction(0.025, 1e-5);
    for (let i = 0; i < 300; i++) friction.advance(1e-8); // 3 µrad of 10
    const before = friction.advance(0);
    for (let i = 0; i < 1e5; i++) friction.advance(i % 2 === 0 ? 1e-6 : -1e-6);
    expect(friction.advance(0)).toBeCloseTo(before, 6);
  });

  test('a slow triangle on the shaft opens a loop of twice the friction', () => {
    const n = 12_500; // 1.25 cycles of 0.1 Hz, ±6 N·m
    const command = Float64Array.from({ length: n }, (_, i) => {
      const t = (i / 10_000) % 1;
      return 6 * (t < 0.25 ? 4 * t : t < 0.75 ? 2 - 4 * t : 4 * t - 4);
    });
    const frame = played(ideal({ friction: 0.025 }), command, 1000, 2);
    const late = Math.round((2.39 + 0.34) * 20); // samples: lag of setting 2 and of the channel
    const at = (i: number): number =>
      (frame.torque[i + late] as number) - (frame.command[i] as number);
    const falling = at(100_000);
    const rising = at(200_000);
    expect((falling - rising) / 2).toBeCloseTo(0.025, 2);
  });
});

describe('power', () => {
  const hold = (torque: number, seconds: number): Float64Array =>
    new Float64Array(1000 * seconds).fill(torque);

  test('without power there is no current and no torque, whatever is started', () => {
    const plant = new Plant(ideal(), 0.1);
    plant.start({ rate: hertz(1000), command: hold(6, 1) }, { smoothing: 0, fixture: 'coupled' });
    const frame = frameOf(2000);
    plant.run(frame, 0, 2000);
    expect(peak(frame.current)).toBe(0);
    expect(Math.abs(plant.shaftTorque)).toBeLessThan(1e-9);
    expect(peak(frame.command)).toBe(0);
  });

  test('unfed for 95 ms the item trips, and 5 ms later no current is left', () => {
    const plant = new Plant(ideal(), 0.1);
    plant.enable(12.5);
    plant.start({ rate: hertz(1000), command: hold(6, 1) }, { smoothing: 0, fixture: 'coupled' });
    const frame = frameOf(2200);
    plant.run(frame, 0, 1890);
    expect(plant.fault).toBe(FAULT_CODES.none);
    expect(frame.current[1889]).toBeCloseTo(10, 2);
    plant.run(frame, 1890, 310);
    expect(plant.fault).toBe(FAULT_CODES.deadMan);
    expect(Math.abs(frame.current[2000] as number)).toBeLessThan(0.01);
    plant.feed();
    plant.run(frame, 0, 400);
    expect(plant.enabled).toBe(false);
  });

  test('the set point never exceeds the ceiling of the device', () => {
    const plant = new Plant(ideal(), 1e6);
    plant.enable(5);
    plant.start({ rate: hertz(1000), command: hold(12, 1) }, { smoothing: 0, fixture: 'coupled' });
    const frame = frameOf(2000);
    plant.run(frame, 0, 2000);
    expect(peak(frame.current) * KT).toBeLessThan(5.01);
    expect(plant.fault).toBe(FAULT_CODES.none);
  });

  test('torque that nobody commanded trips the item 2 ms after it passes the ceiling', () => {
    const plant = new Plant(ideal(), 1e6);
    plant.enable(5);
    plant.uncommanded = 8;
    const frame = frameOf(400);
    plant.run(frame, 0, 400);
    expect(plant.fault).toBe(FAULT_CODES.overTorque);
    const over = [...frame.current].filter((a) => a * KT > 5.25).length / SAMPLE_RATE;
    expect(over).toBeLessThan(3e-3);
    expect(Math.abs(frame.current[399] as number)).toBeLessThan(0.01);
  });

  test('a weak supply of 1 Ω sags to 43.1 V at 12 N·m', () => {
    const good = ideal();
    const weak = { ...good, stand: { ...good.stand, supplyResistance: 1 } };
    const { supply } = played(weak, hold(12, 0.1), 1000);
    expect(supply.at(-1)).toBeCloseTo(43.1, 0);
  });
});
