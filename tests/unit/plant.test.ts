import { describe, expect, test } from 'vitest';
import { hertz, torquePerSecond } from '../../src/base/units.js';
import { type Frame, frameOf } from '../../src/bench/converter.js';
import { Firmware, meanHeld } from '../../src/bench/firmware.js';
import { FAULT_CODES } from '../../src/bench/drive.js';
import { Plant, SAMPLE_RATE } from '../../src/bench/plant.js';
import type { Parameters } from '../../src/bench/spread.js';
import { Friction } from '../../src/bench/stand.js';
import { Amplifier } from '../../src/bench/transducer.js';
import type { Waveform } from '../../src/pattern/waveform.js';
import { ideal } from '../support/ideal-item.js';

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
      const held = Float64Array.from({ length: 200 }, (_, i) => (i < 7 ? 0 : 1));
      firmware.start({ rate, held, isQuiet: () => false }, 0);
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

/** 200 ms at a level, 300 ms of silence, 200 ms at the level again, at 1 kHz. */
function silent(level: number): Waveform {
  return {
    rate: hertz(1000),
    command: new Float64Array(700).fill(level),
    silence: { from: 200, to: 500 },
  };
}

describe('updates that stay away', () => {
  for (const [smoothing, slew, timeout] of [
    [0, 6000, 0.1],
    [5, 6000, 0.1],
    [0, 500, 0.1],
    [2, 6000, 0.25],
    [0, 6000, 0.1234],
  ] as const) {
    test(`at setting ${smoothing}, ${slew} N·m/s and a time-out of ${1000 * timeout} ms, torque goes to zero when it ends`, () => {
      const plant = new Plant(ideal({ commandTimeout: timeout, slew }), 1e6);
      plant.enable(20);
      plant.beginTake('silence');
      plant.start(silent(3), { smoothing, fixture: 'coupled' });
      const frame = frameOf(14_000);
      plant.run(frame, 0, 14_000);
      const ms = (time: number): number => Math.round(20 * time);
      const torque = (time: number): number => KT * (frame.current[ms(time)] as number);
      const end = 199 + 1000 * timeout; // ms: the last update falls at 199
      expect(frame.command[ms(end) - 2]).toBeCloseTo(3, 3);
      expect(frame.command[ms(end) + 2]).toBe(0);
      expect(torque(end)).toBeCloseTo(3, 2);
      // Half of the torque is gone after dead time, half the way at the slew limit, and the current loop.
      const half = frame.current.findIndex((a, i) => i > ms(end) && KT * a < 1.5) / 20;
      const lag = 0.6 + 1500 / slew + 1000 / (2 * Math.PI * 800);
      expect(Math.abs(half - end - lag)).toBeLessThan(0.1);
      expect(Math.abs(torque(end + 2 + 3000 / slew))).toBeLessThan(0.01);
      expect(Math.abs(torque(499))).toBeLessThan(0.01);
      expect(torque(699)).toBeCloseTo(3, 2);
    });
  }

  test('are followed again, through the smoothing, as if from rest', () => {
    const [first, again] = [0, 500].map((from) => {
      const plant = new Plant(ideal(), 1e6);
      plant.enable(20);
      plant.start(silent(3), { smoothing: 3, fixture: 'coupled' });
      const frame = frameOf(14_000);
      plant.run(frame, 0, 14_000);
      return frame.current.slice(20 * from, 20 * from + 2000);
    });
    const apart = first?.map((a, i) => Math.abs(a - (again?.[i] ?? NaN))) ?? Float32Array.of(NaN);
    expect(peak(apart)).toBeLessThan(0.01);
  });

  test('in silence feed nobody: the dead-man is another thing', () => {
    const plant = new Plant(ideal(), 0.1);
    plant.enable(20);
    plant.start(silent(3), { smoothing: 0, fixture: 'coupled' });
    const frame = frameOf(2000);
    plant.run(frame, 0, 2000);
    expect(plant.fault).toBe(FAULT_CODES.deadMan);
  });
});

describe('slew setting', () => {
  const slewed = (slew?: number): number => {
    const plant = new Plant(ideal(), 1e6);
    plant.enable(20);
    const settings = { smoothing: 0, fixture: 'coupled' as const };
    const waveform = { rate: hertz(1000), command: step(0, 6) };
    plant.start(
      waveform,
      slew === undefined ? settings : { ...settings, slew: torquePerSecond(slew) },
    );
    const frame = frameOf(4000);
    plant.run(frame, 0, 4000);
    return 3600 / between(frame.current, 6 / KT, [0.2, 0.8]); // N·m/s
  };
  for (const [setting, want] of [
    [300, 300],
    [1000, 1000],
    [2500, 2500],
  ] as const) {
    test(`${setting} N·m/s gives ${want} N·m/s within 1 %`, () => {
      expect(Math.abs(slewed(setting) / want - 1)).toBeLessThan(0.01);
    });
  }

  test('above the limit of the item changes nothing, and does not outlive its take', () => {
    expect(slewed(20_000)).toBe(slewed());
    const plant = new Plant(ideal(), 1e6);
    plant.enable(20);
    const waveform = { rate: hertz(1000), command: step(0, 6) };
    plant.start(waveform, { smoothing: 0, fixture: 'coupled', slew: torquePerSecond(100) });
    const frame = frameOf(4000);
    plant.run(frame, 0, 4000);
    plant.finish();
    plant.run(frame, 0, 100);
    expect(Math.abs(frame.current[99] as number)).toBeLessThan(0.01); // 5 ms, not 60
  });
});

describe('duty', () => {
  test('of a hold is the voltage of its resistance over what the bus gives', () => {
    const plant = new Plant(ideal(), 1e6);
    plant.enable(20);
    plant.beginTake('hold');
    const command = new Float64Array(400).fill(6);
    plant.start({ rate: hertz(1000), command }, { smoothing: 5, fixture: 'coupled' });
    plant.run(frameOf(8000), 0, 8000);
    // 10 A through copper at 23 °C, warmed a little, of 48 V less 0.15 Ω, over √3.
    const resistance = (0.35 * (234.5 + 23)) / (234.5 + 20);
    const bus = 48 - (0.15 * 1.5 * resistance * 100) / 48;
    const want = (10 * resistance) / (bus / Math.sqrt(3));
    expect(Math.abs(plant.report().duty / want - 1)).toBeLessThan(0.02);
  });

  test('of a step that saturates is 1, and a new take forgets it', () => {
    const plant = new Plant(ideal({ slew: 1e6 }), 1e6);
    plant.enable(20);
    plant.beginTake('step');
    plant.start({ rate: hertz(1000), command: step(0, 12) }, { smoothing: 0, fixture: 'coupled' });
    plant.run(frameOf(4000), 0, 4000);
    expect(plant.report().duty).toBe(1);
    plant.finish();
    plant.run(frameOf(4000), 0, 4000);
    plant.beginTake('rest');
    plant.run(frameOf(400), 0, 400);
    expect(plant.report().duty).toBeLessThan(0.01);
  });
});

/** Time in samples at which a channel crosses a level, on the straight line between two samples. */
function crossing(samples: Float32Array, level: number, around: number): number {
  const rises = (samples[around - 30] as number) < level;
  for (let i = around - 20; i < around + 40; i++) {
    const [a, b] = [samples[i] as number, samples[i + 1] as number];
    if (rises ? a < level && b >= level : a > level && b <= level) return i + (level - a) / (b - a);
  }
  return NaN;
}

describe('test signal', () => {
  const delays = { amplifierDelay: 0.3437e-3, currentDelay: 0.0123e-3 };
  const plant = new Plant(ideal({}, { ...delays, shunt: 5, converterDelay: 16 }), 1e6);
  plant.arrange('timing');
  const frame = frameOf(42_000);
  plant.run(frame, 0, 4000);
  const before = peak(frame.command.subarray(0, 4000));
  plant.beginTake('timing');
  plant.run(frame, 0, 42_000);
  const mean = (samples: Float32Array, from: number, to: number): number =>
    samples.subarray(from, to).reduce((a, b) => a + b, 0) / (to - from);

  test('is quiet before the take, then toggles every 100 ms on every channel at once', () => {
    expect(before).toBe(0);
    for (let k = 0; k < 21; k++) {
      const [from, to] = [2000 * k + 100, 2000 * k + 1900];
      expect(mean(frame.command, from, to)).toBeCloseTo(k % 2, 3);
      expect(mean(frame.current, from, to)).toBeCloseTo(k % 2, 3);
      expect(mean(frame.torque, from, to)).toBeCloseTo(5 * (k % 2), 3);
    }
  });

  test('spreads its edges over the period of a sample', () => {
    // Where an edge falls in its sample is what share of that sample is at the new level.
    const places = Array.from({ length: 20 }, (_, i) => {
      const k = i + 1;
      const share = frame.command[2000 * k + 16] as number;
      return k % 2 === 1 ? 1 - share : share;
    }).sort((a, b) => a - b);
    const spaces = places.slice(1).map((place, i) => place - (places[i] ?? NaN));
    expect(Math.max(...spaces)).toBeLessThan(0.1);
    expect(places[0]).toBeLessThan(0.1);
    expect(places.at(-1)).toBeGreaterThan(0.9);
  });

  test('shows the delay of both channels: area between edges, to 0.1 µs', () => {
    /** Where the edge falls, in samples, by the area under it between two levels that stand. */
    const edge = (channel: Float32Array, k: number): number => {
      const [low, from, to] = [2000 * k - 100, 2000 * k - 50, 2000 * k + 150];
      const [before, after] = [mean(channel, low, from), mean(channel, to, to + 50)];
      return to - ((mean(channel, from, to) - before) / (after - before)) * (to - from);
    };
    for (let k = 1; k <= 20; k++) {
      const late = (channel: Float32Array): number =>
        (edge(channel, k) - edge(frame.command, k)) / SAMPLE_RATE;
      expect(Math.abs(late(frame.torque) - 0.3437e-3)).toBeLessThan(0.1e-6);
      expect(Math.abs(late(frame.current) - 0.0123e-3)).toBeLessThan(0.1e-6);
    }
  });

  test('crosses half of its level on the torque channel near its delay', () => {
    const half = crossing(frame.torque, 2.5, 2016 + 7) - crossing(frame.command, 0.5, 2016);
    expect(Math.abs(half / SAMPLE_RATE - 0.3437e-3)).toBeLessThan(25e-6);
  });

  test('does not reach the channels of any other arrangement', () => {
    plant.arrange('uncoupled');
    plant.beginTake('uncoupled');
    const still = frameOf(4000);
    plant.run(still, 0, 4000);
    expect(peak(still.command.subarray(100))).toBe(0);
    expect(Math.abs(peak(still.torque.subarray(100)))).toBeLessThan(1e-3);
  });
});

// 16 bits of ±40 A are 1.2 mA or 15 µs of this ramp; the mean over 1000 samples is off by a thirtieth.
test('the current channel is late by what the stand says: 73 µs on a ramp, to 0.5 µs', () => {
  const command = Float64Array.from({ length: 200 }, (_, i) => i / 20);
  const [straight, late] = [0, 73e-6].map((currentDelay) => {
    const { current } = played(ideal({}, { currentDelay }), command, 1000, 4);
    return current.subarray(3000, 4000).reduce((a, b) => a + b, 0) / 1000;
  });
  const slope = 50 / KT; // A/s
  const delay = ((straight ?? NaN) - (late ?? NaN)) / slope;
  expect(Math.abs(delay - 73e-6)).toBeLessThan(0.5e-6);
});

describe('shaft turned to another angle', () => {
  const COGGING = 0.045;
  const turned = (power: boolean): readonly { angle: number; torque: number }[] => {
    const item = { cogging: COGGING, friction: 0.025 };
    const plant = new Plant(ideal(item, { angle: 0.3 }), 1e6);
    plant.run(frameOf(14_000), 0, 14_000);
    if (power) plant.enable(12.5);
    return Array.from({ length: 12 }, (_, i) => {
      const angle = (i * 2 * Math.PI) / 120 / 12; // over one period of cogging
      plant.index(angle);
      const frame = frameOf(14_000);
      plant.run(frame, 0, 14_000);
      const rest = frame.torque.subarray(-4000);
      return { angle, torque: rest.reduce((a, b) => a + b, 0) / rest.length };
    });
  };

  test.each([false, true])(
    'cogging of 45 mN·m stands in it as an offset, with power %s',
    (power) => {
      for (const { angle, torque } of turned(power)) {
        expect(Math.abs(torque - (COGGING / 2) * Math.sin(120 * (0.3 + angle)))).toBeLessThan(5e-4);
      }
    },
  );

  test('torque per ampere goes with the cosine of twice the electrical angle', () => {
    const commutation = 0.02;
    const commutationAngle = 0.7;
    const plant = new Plant(ideal({ commutation, commutationAngle }, { angle: 0.3 }), 1e6);
    plant.enable(20);
    for (let i = 0; i < 6; i++) {
      const angle = (i * 2 * Math.PI) / 20 / 6;
      plant.index(angle);
      plant.run(frameOf(14_000), 0, 14_000);
      const waveform = { rate: hertz(1000), command: new Float64Array(400).fill(3) };
      plant.start(waveform, { smoothing: 5, fixture: 'coupled' });
      const frame = frameOf(8000);
      plant.run(frame, 0, 8000);
      plant.finish();
      const [torque = NaN, current = NaN] = [frame.torque.at(-1), frame.current.at(-1)];
      const want = KT * (1 + commutation * Math.cos(20 * (0.3 + angle) + commutationAngle));
      expect(Math.abs(torque / current / want - 1)).toBeLessThan(5e-4);
    }
  });

  test('stands at the angle it was turned to, and only there', () => {
    const plant = new Plant(ideal({}, { angle: 0.3 }), 1e6);
    expect([plant.isAt(0), plant.isAt(0.1)]).toEqual([true, false]);
    plant.index(0.1);
    expect([plant.isAt(0), plant.isAt(0.1)]).toEqual([false, true]);
  });
});
