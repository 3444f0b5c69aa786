import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { hertz, newtonMetre, second } from '../../src/base/units.js';
import { copperLoss, predictedRinging } from '../../src/pattern/bounds.js';
import { multisineOf } from '../../src/pattern/multisine.js';
import {
  chirpCycles,
  chirpFrequency,
  durationOf,
  held,
  underlying,
} from '../../src/pattern/shapes.js';
import { compile } from '../../src/pattern/waveform.js';
import { lcg, lcgStep } from '../support/lcg.js';
import { chirp, multisine, ramp, recorded, sine, staircase } from '../support/patterns.js';

type Sweeps = Record<`${'lin' | 'log'}_${'f' | 'cycles' | 'y'}`, number[]>;

/** What the rows of pattern.json hold. */
interface Rows {
  readonly 'A-6': {
    readonly inputs: { step_Nm: number; slew_Nm_per_s: number };
    readonly expected: { t10_90_s: number; t50_s: number; t_end_s: number; overshoot_pct: number };
    readonly tolerance: { abs: number };
  };
  readonly 'B-7': {
    readonly inputs: { seed: number };
    readonly expected: { states_seed1: number[]; x_first6: number[] };
    readonly tolerance: { abs: number };
  };
  readonly 'B-14': {
    readonly inputs: { f0_Hz: number; f1_Hz: number; T_s: number; t_s: number[] };
    readonly expected: Sweeps;
    readonly tolerance: { abs: number };
  };
  readonly 'B-16': {
    readonly inputs: { T_s: number; f_Hz: number[] };
    readonly expected: { mag: number[]; phase_deg: number[]; delay_s: number };
    readonly tolerance: { abs: number };
  };
  readonly 'O-1': {
    readonly inputs: { update_Hz: number; sine_Hz: number; output_Hz: number; amplitude: number };
    readonly expected: {
      held_samples_per_update: number;
      changes_only_every_s: number;
      fundamental_gain: number;
      mean_delay_s: number;
      image_lines: [number, number, number, number][];
      max_step: number;
    };
    readonly tolerance: { abs: number };
  };
  readonly 'P-1': {
    readonly inputs: {
      from_Hz: number;
      to_Hz: number;
      lines: number;
      rms_Nm: number;
      period_s: number;
      periods: number;
      draws: number;
      seed: number;
      avoid_Hz: number[];
    };
    readonly expected: {
      lines: number;
      empty_Hz: number[];
      crest: number;
      slew_Nm_per_ms: number;
      rms_Nm: number;
    };
    readonly tolerance: { crest_abs: number; slew_rel: number; rms_abs: number };
  };
  readonly 'P-2': {
    readonly inputs: { cases: { edge_ms: number; resonance_Hz: number }[] };
    readonly expected: { ringing_percent: number[] };
    readonly tolerance: { abs_percent: number };
  };
  readonly 'P-3': {
    readonly inputs: { resonance_Hz: number; cycles: number[] };
    readonly expected: { ringing: number[]; half_cycle: number; abrupt: number };
    readonly tolerance: { abs: number };
  };
  readonly 'P-4': {
    readonly inputs: { torqueConstant: number; resistance: number; torques_Nm: number[] };
    readonly expected: { loss_W: number[] };
    readonly tolerance: { abs: number };
  };
}

const rows = JSON.parse(
  readFileSync(new URL('pattern.json', import.meta.url), 'utf8'),
) as readonly { readonly id: string }[];

function row<K extends keyof Rows>(id: K): Rows[K] {
  const found = rows.find((one) => one.id === id);
  if (found === undefined) throw new Error(`no row ${id}`);
  return found as unknown as Rows[K];
}

const within = (actual: number, expected: number, tolerance: number): void => {
  expect(Math.abs(actual - expected)).toBeLessThanOrEqual(tolerance);
};

/** Fourier coefficient of a staircase in continuous time, exact: values held for 1/rate each. */
function coefficient(values: ArrayLike<number>, rate: number, frequency: number): [number, number] {
  const angular = 2 * Math.PI * frequency;
  let [real, imaginary] = [0, 0];
  for (let i = 0; i < values.length; i++) {
    const value = values[i] ?? NaN;
    const [from, to] = [(angular * i) / rate, (angular * (i + 1)) / rate];
    real += (value * (Math.sin(to) - Math.sin(from))) / angular;
    imaginary += (value * (Math.cos(to) - Math.cos(from))) / angular;
  }
  return [real, imaginary];
}

test('A-6: a ramp crosses 10, 50 and 90 % of a limited step when it should', () => {
  const { inputs, expected, tolerance } = row('A-6');
  const pattern = ramp(0, inputs.step_Nm, inputs.step_Nm / inputs.slew_Nm_per_s);
  within(durationOf(pattern), expected.t_end_s, tolerance.abs);
  const rate = 10_000;
  const samples = underlying(pattern, rate);
  const crossing = (share: number): number => {
    const level = share * inputs.step_Nm;
    const i = samples.findIndex((value) => value >= level - 1e-12);
    const [before, after] = [samples[i - 1] ?? NaN, samples[i] ?? NaN];
    return (i - 1 + (level - before) / (after - before)) / rate;
  };
  within(crossing(0.9) - crossing(0.1), expected.t10_90_s, tolerance.abs);
  within(crossing(0.5), expected.t50_s, tolerance.abs);
  expect(Math.max(...samples)).toBeLessThanOrEqual(
    inputs.step_Nm * (1 + expected.overshoot_pct / 100),
  );
});

test('B-7: the generator of the tests gives the published states and values', () => {
  const { inputs, expected, tolerance } = row('B-7');
  let state = inputs.seed;
  const states = expected.states_seed1.map(() => (state = lcgStep(state)));
  expect(states).toEqual(expected.states_seed1);
  const random = lcg(inputs.seed);
  for (const value of expected.x_first6) within(random() - 0.5, value, tolerance.abs);
});

test('B-14: chirps count cycles and sweep frequency as the integral says', () => {
  const { inputs, expected, tolerance } = row('B-14');
  for (const [sweep, key] of [
    ['linear', 'lin'],
    ['logarithmic', 'log'],
  ] as const) {
    const pattern = chirp(inputs.f0_Hz, inputs.f1_Hz, inputs.T_s, sweep);
    inputs.t_s.forEach((time, i) => {
      within(chirpFrequency(pattern, time), expected[`${key}_f`][i] ?? NaN, tolerance.abs);
      const cycles = chirpCycles(pattern, time);
      within(cycles, expected[`${key}_cycles`][i] ?? NaN, tolerance.abs);
      within(Math.cos(2 * Math.PI * cycles), expected[`${key}_y`][i] ?? NaN, tolerance.abs);
    });
    // Ours starts at zero torque: the sine of the same angle.
    const samples = underlying(pattern, 1000);
    within(samples[2500] ?? NaN, Math.sin(2 * Math.PI * chirpCycles(pattern, 2.5)), 1e-12);
  }
});

test('B-16: holding answers like a zero-order hold of the source period', () => {
  const { inputs, expected, tolerance } = row('B-16');
  const rate = 10 / inputs.T_s;
  const pulse = held(recorded([1, 0, 0], 1 / inputs.T_s), rate);
  inputs.f_Hz.forEach((frequency, i) => {
    const [real, imaginary] = coefficient(pulse, rate, frequency);
    within(Math.hypot(real, imaginary) / inputs.T_s, expected.mag[i] ?? NaN, tolerance.abs);
    const angle = Math.atan2(imaginary, real);
    within((angle * 180) / Math.PI, expected.phase_deg[i] ?? NaN, 180 * tolerance.abs);
    within(-angle / (2 * Math.PI * frequency), expected.delay_s, tolerance.abs);
  });
});

test('O-1: a sine held at 60 Hz has the gain, delay, images and steps of a staircase', () => {
  const { inputs, expected, tolerance } = row('O-1');
  const pattern = staircase(inputs.update_Hz, sine(inputs.amplitude, inputs.sine_Hz, 1));
  const { command } = compile(pattern, hertz(inputs.output_Hz));
  const changes = [...command.keys()].filter((i) => i > 0 && command[i] !== command[i - 1]);
  expect(changes.filter((i) => i % expected.held_samples_per_update !== 0)).toEqual([]);
  within(expected.held_samples_per_update / inputs.output_Hz, expected.changes_only_every_s, 1e-12);
  // The largest step needs two updates evenly about a zero of the sine; ours has one on it.
  const largestStep = (values: Float64Array): number =>
    values.reduce(
      (most, value, i) => Math.max(most, Math.abs(value - (values[i - 1] ?? value))),
      0,
    );
  expect(largestStep(command)).toBeLessThan(expected.max_step);
  const angleAt = (k: number): number =>
    (2 * Math.PI * inputs.sine_Hz * (k - 0.5)) / inputs.update_Hz;
  const evenly = Array.from({ length: 60 }, (_, k) => inputs.amplitude * Math.sin(angleAt(k)));
  const shifted = compile(recorded(evenly, inputs.update_Hz), hertz(inputs.output_Hz));
  within(largestStep(shifted.command), expected.max_step, tolerance.abs);
  const line = (frequency: number): [number, number] => {
    const [real, imaginary] = coefficient(command, inputs.output_Hz, frequency);
    return [2 * Math.hypot(real, imaginary), Math.atan2(imaginary, real)];
  };
  const [gain, angle] = line(inputs.sine_Hz);
  within(gain, expected.fundamental_gain, tolerance.abs);
  within(
    (-angle - Math.PI / 2) / (2 * Math.PI * inputs.sine_Hz),
    expected.mean_delay_s,
    tolerance.abs,
  );
  for (const [lower, lowerGain, upper, upperGain] of expected.image_lines) {
    within(line(lower)[0], lowerGain, tolerance.abs);
    within(line(upper)[0], upperGain, tolerance.abs);
  }
});

test('P-1: the multisine of the H12 procedure has its lines, crest factor, rms and slew', () => {
  const { inputs, expected, tolerance } = row('P-1');
  const pattern = multisine({
    from: hertz(inputs.from_Hz),
    to: hertz(inputs.to_Hz),
    lines: inputs.lines,
    rms: newtonMetre(inputs.rms_Nm),
    period: second(inputs.period_s),
    periods: inputs.periods,
    draws: inputs.draws,
    seed: inputs.seed,
    avoid: inputs.avoid_Hz.map(hertz),
  });
  const { lines, crest, slew } = multisineOf(pattern);
  expect(lines).toHaveLength(expected.lines);
  const frequencies = lines.map((line) => line.frequency);
  expect(frequencies.filter((frequency) => expected.empty_Hz.includes(frequency))).toEqual([]);
  within(crest, expected.crest, tolerance.crest_abs);
  within(slew / 1000, expected.slew_Nm_per_ms, tolerance.slew_rel * expected.slew_Nm_per_ms);
  const { command } = compile(pattern, hertz(1000));
  const squares = command.reduce((sum, value) => sum + value * value, 0);
  within(Math.sqrt(squares / command.length), expected.rms_Nm, tolerance.rms_abs);
});

test('P-2: a raised-cosine edge leaves the ringing that was reckoned for three stands', () => {
  const { inputs, expected, tolerance } = row('P-2');
  inputs.cases.forEach(({ edge_ms, resonance_Hz }, i) => {
    const percent = 100 * predictedRinging(edge_ms / 1000, resonance_Hz);
    within(percent, expected.ringing_percent[i] ?? NaN, tolerance.abs_percent);
  });
});

test('P-3: ringing is nothing at the nulls, π/4 at half a cycle and all of an abrupt step', () => {
  const { inputs, expected, tolerance } = row('P-3');
  inputs.cycles.forEach((cycles, i) => {
    const ringing = predictedRinging(cycles / inputs.resonance_Hz, inputs.resonance_Hz);
    within(ringing, expected.ringing[i] ?? NaN, tolerance.abs);
  });
  within(
    predictedRinging(0.5 / inputs.resonance_Hz, inputs.resonance_Hz),
    expected.half_cycle,
    tolerance.abs,
  );
  within(predictedRinging(0, inputs.resonance_Hz), expected.abrupt, tolerance.abs);
});

test('P-3: the closed form is what a resonance does with the compiled edge', () => {
  // Undamped resonance, driven by the edge: ringing = |∫ slope · e^(j2πft) dt|, integrated by hand.
  for (const [edge, resonance] of [
    [0.004, 361],
    [0.0021, 361],
    [0.006, 311],
  ] as const) {
    const steps = 20_000;
    let [real, imaginary] = [0, 0];
    for (let i = 0; i < steps; i++) {
      const time = ((i + 0.5) * edge) / steps;
      const slope = (Math.PI / (2 * edge)) * Math.sin((Math.PI * time) / edge);
      real += (slope * Math.cos(2 * Math.PI * resonance * time) * edge) / steps;
      imaginary += (slope * Math.sin(2 * Math.PI * resonance * time) * edge) / steps;
    }
    within(predictedRinging(edge, resonance), Math.hypot(real, imaginary), 1e-7);
  }
});

test('P-4: copper loss at continuous and peak torque', () => {
  const { inputs, expected, tolerance } = row('P-4');
  inputs.torques_Nm.forEach((torque, i) => {
    within(copperLoss(torque, inputs), expected.loss_W[i] ?? NaN, tolerance.abs);
  });
});
