import { describe, expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { frameOf } from '../../src/bench/converter.js';
import { Plant, SAMPLE_RATE } from '../../src/bench/plant.js';
import type { Parameters } from '../../src/bench/spread.js';
import { VirtualWheel } from '../../src/bench/wheel.js';
import type { Waveform, Wheel } from '../../src/pattern/waveform.js';
import { criticalStiffness, type StabilityEdge } from '../../src/scoring/stability.js';
import { ideal } from '../support/ideal-item.js';

const SECONDS = 4;
const UPDATES = 1000 * SECONDS;
/** The wheel of the shipped procedure. */
const INERTIA = 0.03;
const DRAG = 0.03;
const DAMPING = 0.3;

type Spring = Waveform & { readonly wheel: Wheel };

/** A spring of one stiffness, kicked for 50 ms at the start. */
function spring(stiffness: number, change: Partial<Wheel> = {}, kick = 0.3): Spring {
  return {
    rate: hertz(1000),
    command: Float64Array.from({ length: UPDATES }, (_, i) => (i < 50 ? kick : 0)),
    wheel: {
      inertia: INERTIA,
      drag: DRAG,
      damping: DAMPING,
      stiffness: new Float64Array(UPDATES).fill(stiffness),
      limit: 12,
      ...change,
    },
  };
}

/** Command as latched by an item that closes the loop. */
function latched(parameters: Parameters, waveform: Waveform, smoothing: number): Float32Array {
  const plant = new Plant(parameters, 1e6);
  plant.enable(12.5);
  plant.beginTake('wheel');
  plant.run(frameOf(4000), 0, 4000);
  plant.start(waveform, { smoothing, fixture: 'coupled' });
  const frame = frameOf(SAMPLE_RATE * SECONDS);
  plant.run(frame, 0, frame.command.length);
  return frame.command;
}

function rms(samples: Float32Array): number {
  return Math.sqrt(samples.reduce((sum, x) => sum + x * x, 0) / samples.length);
}

/** Whether small motion grows at this stiffness: the last second is more than the one before it. */
function grows(parameters: Parameters, stiffness: number, smoothing: number): boolean {
  const command = latched(parameters, spring(stiffness), smoothing);
  const part = (from: number): number =>
    rms(command.subarray(from * SAMPLE_RATE, (from + 1) * SAMPLE_RATE));
  return part(3) === 0 ? true : part(3) > part(2); // an ended loop had grown to its limit
}

/** Stiffness at which motion neither grows nor dies, to 0.3 %, looked for within 15 % of a guess. */
function criticalOf(parameters: Parameters, guess: number, smoothing: number): number {
  let [low, high] = [0.85 * guess, 1.15 * guess];
  for (let round = 0; round < 7; round++) {
    const middle = (low + high) / 2;
    if (grows(parameters, middle, smoothing)) high = middle;
    else low = middle;
  }
  return (low + high) / 2;
}

/** Where the linear analysis puts the edge, for a smoothing setting of two poles at `corner` Hz. */
function edgeOf(corner?: number): StabilityEdge {
  // Dead time 0.6, computing 0.26, amplifier 0.34, converter 0.80 ms; the current loop is a pole at
  // 800 Hz, and a shaft of 361 Hz with a damping ratio of 0.03 lags by 2ζ/ω.
  const edge = criticalStiffness({ inertia: INERTIA, damping: DRAG }, DAMPING, {
    period: 1e-3,
    delay: 2e-3 + (2 * 0.03) / (2 * Math.PI * 361),
    poles: corner === undefined ? [800] : [800, corner, corner],
  });
  if (edge === undefined) throw new Error('no edge');
  return edge;
}

describe('critical stiffness of the H12 with a wheel of 0.030 kg·m², b = 0.03, B = 0.3 N·m·s/rad', () => {
  // Setting, corner of its two poles in Hz, critical stiffness in N·m/rad as the maker reckoned it.
  const rows = [
    [0, undefined, 121],
    [1, 400, 93],
    [2, 200, 76],
    [3, 100, 55],
    [4, 50, 36],
    [5, 25, 21],
  ] as const;
  for (const [setting, corner, want] of rows) {
    test(`at setting ${setting} it is ${want} N·m/rad within 6 %, and as the linear analysis says within 1 %`, () => {
      const found = criticalOf(ideal({}, { converterDelay: 16 }), want, setting);
      expect(Math.abs(found / want - 1)).toBeLessThan(0.06);
      expect(Math.abs(found / edgeOf(corner).stiffness - 1)).toBeLessThan(0.01);
    });
  }
});

describe('the loop of an ideal item', () => {
  const parameters = ideal({}, { converterDelay: 16 });

  test('a steady torque on a soft spring is held by that torque', () => {
    const waveform = spring(10, { damping: 1 });
    waveform.command.fill(0.8);
    const command = latched(parameters, waveform, 0);
    expect(command.at(-1)).toBeCloseTo(-0.8, 3);
  });

  test('swings on the edge at the frequency of the linear analysis', () => {
    const edge = edgeOf(200);
    const command = latched(parameters, spring(edge.stiffness), 2).subarray(SAMPLE_RATE);
    const rising: number[] = [];
    for (let i = 1; i < command.length; i++) {
      const [before, after] = [command[i - 1] as number, command[i] as number];
      if (before < 0 && after >= 0) rising.push(i);
    }
    const [first = NaN, last = NaN] = [rising[0], rising.at(-1)];
    const frequency = (SAMPLE_RATE * (rising.length - 1)) / (last - first);
    expect(Math.abs(frequency / edge.frequency - 1)).toBeLessThan(0.005);
  });

  test('that grows ends at zero torque for good, and never exceeded its limit', () => {
    const command = latched(parameters, spring(200, { limit: 4 }), 0);
    const most = command.reduce((a, b) => Math.max(a, Math.abs(b)), 0);
    const last = command.findLastIndex((torque) => torque !== 0);
    expect(most).toBeGreaterThan(2);
    expect(most).toBeLessThanOrEqual(4);
    expect(last).toBeLessThan(SAMPLE_RATE * 3);
  });

  test('with stiffness 0 holds the wheel at rest, and lets it go from there', () => {
    const waveform = spring(30);
    waveform.wheel.stiffness.fill(0, 0, 1000);
    waveform.command.fill(0.5, 0, 1000).fill(0, 1000);
    const command = latched(parameters, waveform, 0);
    expect(command.every((torque) => torque === 0)).toBe(true);
    waveform.command.fill(0.5, 1000, 1050);
    const kicked = latched(parameters, waveform, 0);
    expect(kicked.findIndex((torque) => torque !== 0)).toBeGreaterThanOrEqual(SAMPLE_RATE);
    expect(Math.max(...kicked.subarray(SAMPLE_RATE).map(Math.abs))).toBeGreaterThan(0.2);
  });

  test('does not mistake zero and preload of the stand for torque', () => {
    const { item, stand, ...rest } = parameters;
    const preloaded = { item, stand: { ...stand, zero: 0.2, preload: 0.1 }, ...rest };
    const waveform = spring(30, {}, 0);
    expect(rms(latched(preloaded, waveform, 0))).toBeLessThan(1e-3);
  });

  test('against a transducer mounted the wrong way round ends at once', () => {
    const { item, stand, ...rest } = parameters;
    const wrong = { item, stand: { ...stand, polarity: -1 }, ...rest };
    const command = latched(wrong, spring(30, { limit: 4 }), 0);
    expect(command.findLastIndex((torque) => torque !== 0)).toBeLessThan(SAMPLE_RATE * 2);
  });

  test('is no less stable for the noise of its sensors', () => {
    const { item, stand, ...rest } = parameters;
    const noisy = {
      item: { ...item, currentNoise: 0.02 },
      stand: { ...stand, torqueNoise: 0.002, hum: 0.0005 },
      ...rest,
    };
    expect(grows(noisy, 0.94 * 76, 2)).toBe(false);
    expect(grows(noisy, 1.06 * 76, 2)).toBe(true);
  });

  test('keeps swinging below the edge when the bearing has friction, which lags like a delay', () => {
    const free = latched(parameters, spring(60, {}, 0.5), 2).subarray(-SAMPLE_RATE);
    const rubbing = latched(
      ideal({ friction: 0.04 }, { converterDelay: 16 }),
      spring(60, {}, 0.5),
      2,
    );
    expect(rms(rubbing.subarray(-SAMPLE_RATE))).toBeGreaterThan(5 * rms(free));
  });
});

test('the spring is reckoned for the instant the item latches, less the computing time', () => {
  // No torque but a kick of J per second: the wheel turns by t²/2. One update of 1 ms is 20 samples.
  const sent: number[] = [];
  const waveform = spring(2, { damping: 0, drag: 0 });
  waveform.command.fill(INERTIA);
  const answers = { rate: 1000, send: (_: number, torque: number) => void sent.push(torque) };
  const wheel = new VirtualWheel(waveform, answers, 0, 0.26e-3);
  for (let i = 1; i <= 2000; i++) wheel.advance(0, i / 20, 1 / 20);
  for (const update of [1, 10, 99]) {
    const time = update / 1000 - 0.26e-3;
    expect(Math.abs((sent[update] ?? NaN) + 2 * (time * time) * 0.5)).toBeLessThan(1e-8);
  }
});
