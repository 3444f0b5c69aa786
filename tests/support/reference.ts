/**
 * What an ideal bench would read off an ideal item, reckoned apart from the simulated plant: closed
 * forms where there are any, else a simulation with 1 µs steps of the equations as they are written
 * here. Nothing of `src/bench` is used but the numbers that were drawn for a serial.
 *
 * Neglected throughout: noise, friction and stand (all but the static gain are read motor-side), the
 * 20 kHz periods of the firmware, the warming of winding and magnets during a run (under 0.5 K, so
 * 0.05 % of gain), and the clock skew of 60 ppm at most.
 */
export interface IdealItem {
  /** s, from a command edge to the first change of current. */
  readonly deadTime: number;
  /** Corner of both smoothing poles, Hz; 0 is off. */
  readonly smoothing: number;
  /** N·m/s */
  readonly slew: number;
  /** s: time constant of the current loop, 1/(2π·its frequency). */
  readonly loop: number;
}

const STEP = 1e-6; // s

/**
 * Answers a command step of the given size: dead time, two equal poles, slew limit, one pole.
 *
 * @returns Torque every 1 µs after the edge, as a share of the step.
 */
export function idealStep(item: IdealItem, size: number, seconds: number): Float64Array {
  const steps = Math.round(seconds / STEP);
  const out = new Float64Array(steps);
  const dead = Math.round(item.deadTime / STEP);
  // Exact for an input that stands still over a step.
  const pole = item.smoothing === 0 ? 1 : -Math.expm1(-2 * Math.PI * item.smoothing * STEP);
  const loop = -Math.expm1(-STEP / item.loop);
  const climb = (item.slew / Math.abs(size)) * STEP;
  let [first, second, limited, torque] = [0, 0, 0, 0];
  for (let i = 0; i < steps; i++) {
    const arrived = i >= dead ? 1 : 0;
    first += pole * (arrived - first);
    second += pole * (first - second);
    limited += Math.max(-climb, Math.min(climb, second - limited));
    torque += loop * (limited - torque);
    out[i] = torque;
  }
  return out;
}

/** Time at which a rising answer reaches a share of its step, s. */
export function reaching(answer: Float64Array, share: number): number {
  const i = answer.findIndex((value) => value >= share);
  if (i < 1) throw new Error(`the answer does not reach ${share}`);
  const [low, high] = [answer[i - 1] as number, answer[i] as number];
  // A value stands for the end of its step.
  return STEP * (i + (share - low) / (high - low));
}

/** Rise time from 10 % to 90 %, s. Neglected: that a sample is a mean over 50 µs. */
export function idealRise(item: IdealItem, size: number): number {
  const answer = idealStep(item, size, 0.03);
  return reaching(answer, 0.9) - reaching(answer, 0.1);
}

/** Slope of the chord from 20 % to 80 %, N·m/s. Neglected: the limit of voltage, 18 N·m/ms. */
export function idealSlew(item: IdealItem, size: number): number {
  const answer = idealStep(item, size, 0.03);
  return (0.6 * size) / (reaching(answer, 0.8) - reaching(answer, 0.2));
}

/** Gain and unwrapped angle in rad at a frequency in Hz; small signals, so no slew limit. */
export function idealGain(
  item: IdealItem,
  frequency: number,
): { readonly size: number; readonly angle: number } {
  const w = 2 * Math.PI * frequency;
  const smooth = item.smoothing === 0 ? 0 : frequency / item.smoothing;
  return {
    size: 1 / ((1 + smooth * smooth) * Math.hypot(1, w * item.loop)),
    angle: -w * item.deadTime - 2 * Math.atan(smooth) - Math.atan(w * item.loop),
  };
}

/** Frequency at which a falling function of frequency passes a level, Hz, by halving 0 … 2 kHz. */
function descent(of: (frequency: number) => number, level: number): number {
  let [low, high] = [0, 2000];
  for (let round = 0; round < 60; round++) {
    const middle = (low + high) / 2;
    if (of(middle) > level) low = middle;
    else high = middle;
  }
  return low;
}

/** Frequency of −3 dB, Hz. */
export function idealBandwidth(item: IdealItem): number {
  return descent((f) => 20 * Math.log10(idealGain(item, f).size), -3);
}

/** Frequency of −90°, Hz. */
export function idealPhaseBandwidth(item: IdealItem): number {
  return descent((f) => idealGain(item, f).angle, -Math.PI / 2);
}

/** Delay of slow signals, s: the slope of the angle at zero frequency. */
export function idealLag(item: IdealItem): number {
  const poles = item.smoothing === 0 ? 0 : 2 / (2 * Math.PI * item.smoothing);
  return item.deadTime + poles + item.loop;
}

/** Delay of a sine, s: a thousandth less than that of slow signals where the poles are lowest. */
export function idealPhaseDelay(item: IdealItem, frequency: number): number {
  return -idealGain(item, frequency).angle / (2 * Math.PI * frequency);
}

/**
 * Lag that a slew limit adds to a held sine, s: a step of Δ takes Δ/slew and is late by half of that;
 * the sine weighs a step by what it adds. Zero under smoothing, where nothing jumps.
 */
export function slewLag(item: IdealItem, amplitude: number, sine: number, source: number): number {
  if (item.smoothing !== 0) return 0;
  let [late, whole] = [0, 0];
  for (let i = 0; i < source / sine; i++) {
    const at = (k: number): number => amplitude * Math.sin((2 * Math.PI * sine * k) / source);
    const step = Math.abs(at(i) - at(i - 1));
    late += (step ** 2 * step) / (2 * item.slew);
    whole += step ** 2;
  }
  return late / whole;
}

/**
 * Grain of a sine that a source holds: its lines at k·source ± sine, of amplitude A·sinc(f/source),
 * through the item and through what is left beside a low-pass of 1/(1 + (f/½ source)⁸), rms in the
 * unit of `amplitude`. Lines up to 2 kHz, as the score reads them. Neglected: the slew limit.
 */
export function idealGrain(
  item: IdealItem,
  amplitude: number,
  sine: number,
  source: number,
): number {
  let power = 0;
  for (let k = 1; k * source <= 2000; k++) {
    for (const frequency of [k * source - sine, k * source + sine]) {
      const turns = (Math.PI * frequency) / source;
      const line = (amplitude * Math.sin(turns)) / turns;
      const left = 1 - 1 / (1 + (frequency / (source / 2)) ** 8);
      power += (line * left * idealGain(item, frequency).size) ** 2 / 2;
    }
  }
  return Math.sqrt(power);
}

export interface IdealStatic {
  /** N·m/A at the temperature of the magnets, small current. */
  readonly torqueConstant: number;
  /** N·m/A with which the firmware turns torque into current. */
  readonly assumedConstant: number;
  /** Torque constant of positive current over that of negative, less 1. */
  readonly split: number;
  /** Loss of torque constant at 20 A, growing with the cube of the current. */
  readonly droop: number;
  /** N·m added to every command. */
  readonly offset: number;
}

/** Torque at a held command, N·m. */
export function idealTorque(item: IdealStatic, command: number): number {
  const current = (command + item.offset) / item.assumedConstant;
  const side = 1 + (Math.sign(current) * item.split) / 2;
  return item.torqueConstant * side * current * (1 - item.droop * Math.abs(current / 20) ** 3);
}

/**
 * Slope of the least-squares line through the ideal torques of all holds, N·m over N·m. Neglected:
 * friction, whose two directions cancel in a closed loop, and cogging, which is constant.
 */
export function idealStaticGain(item: IdealStatic, commands: readonly number[]): number {
  const torques = commands.map((command) => idealTorque(item, command));
  const n = commands.length;
  const [u, t] = [commands, torques].map((list) => list.reduce((a, b) => a + b, 0) / n) as [
    number,
    number,
  ];
  let [products, squares] = [0, 0];
  commands.forEach((command, i) => {
    products += (command - u) * ((torques[i] as number) - t);
    squares += (command - u) ** 2;
  });
  return products / squares;
}

/**
 * Rise of a winding's mean temperature while it carries a current, K: one mass against a body that
 * stays as it is. Neglected: the warming of the body and of the resistance.
 */
export function idealRiseOfWinding(loss: number, seconds: number): number {
  const [resistance, capacity] = [0.55, 90]; // K/W, J/K
  return loss * resistance * -Math.expm1(-seconds / (resistance * capacity));
}
