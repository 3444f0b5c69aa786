/**
 * How these values are read when nobody thinks about the stand, the noise or the definition: each
 * function is what one writes first, kept as it is so that its answer can stand beside the right one.
 */

type Samples = ArrayLike<number>;

const mean = (x: Samples, from = 0, to = x.length): number => {
  let sum = 0;
  for (let i = from; i < to; i++) sum += x[i] as number;
  return sum / (to - from);
};

const greatest = (x: Samples, from = 0, to = x.length): number => {
  let most = -Infinity;
  for (let i = from; i < to; i++) most = Math.max(most, x[i] as number);
  return most;
};

/** Overshoot of the first rising step, off whatever trace is on the screen: peak over final value, less 1. */
export function overshootOfTrace(torque: Samples, from: number, to: number): number {
  const base = mean(torque, from - 200, from);
  const final = mean(torque, to - 200, to);
  return (greatest(torque, from, to) - base) / (final - base) - 1;
}

/** Grain as what a moving mean over one update of the source takes away from the transducer, rms. */
export function grainOfTransducer(torque: Samples, from: number, update: number): number {
  let [sum, n] = [0, 0];
  for (let i = from; i + update < torque.length; i += 1) {
    const rest =
      (torque[i] as number) - mean(torque, i - Math.floor(update / 2), i + Math.ceil(update / 2));
    sum += rest * rest;
    n += 1;
  }
  return Math.sqrt(sum / n);
}

/** Shift of highest correlation between two traces, in samples. */
export function shiftOf(a: Samples, b: Samples, most: number): number {
  let [best, at] = [-Infinity, 0];
  for (let shift = 0; shift <= most; shift++) {
    let sum = 0;
    for (let i = 0; i + shift < b.length && i < a.length; i += 3)
      sum += (a[i] as number) * (b[i + shift] as number);
    const size = sum / (b.length - shift);
    if (size > best) [best, at] = [size, shift];
  }
  return at;
}

/**
 * Lag after the traces were lined up "to take the delay of the channels out": the shift that lines
 * them up is the lag, so nothing is left of it.
 */
export function lagAfterAligning(command: Samples, torque: Samples, most: number): number {
  const shift = shiftOf(command, torque, most);
  const aligned = Array.from(torque).slice(shift);
  return shiftOf(command, aligned, most);
}

/** Hysteresis as half the distance of the branches of torque over command at zero, as they were sampled. */
export function halfWidthAtZero(command: Samples, torque: Samples, from: number): number {
  const up: number[] = [];
  const down: number[] = [];
  for (let i = from; i + 40 < command.length; i++) {
    if (Math.abs(command[i] as number) > 0.1) continue;
    ((command[i + 40] as number) > (command[i - 40] as number) ? up : down).push(
      torque[i] as number,
    );
  }
  return Math.abs(mean(down) - mean(up)) / 2;
}

/** Noise as the greatest excursion from the mean in a record. */
export const noiseByMaximum = (x: Samples): number => greatest(x) - mean(x);

/** Slew rate as the greatest difference of two neighbouring samples, per second. */
export function slewBySamples(torque: Samples, rate: number): number {
  let most = 0;
  for (let i = 1; i < torque.length; i++)
    most = Math.max(most, Math.abs((torque[i] as number) - (torque[i - 1] as number)));
  return most * rate;
}

/** Cogging as peak to peak of the torque with the shaft locked at one angle, a moving mean against noise. */
export function coggingAtOneAngle(torque: Samples, window: number): number {
  const smooth: number[] = [];
  for (let i = 0; i + window <= torque.length; i += window)
    smooth.push(mean(torque, i, i + window));
  return greatest(smooth) + greatest(smooth.map((v) => -v));
}

/** Slow means bad, fast means good: only the upper limit is looked at. */
export const isNotTooSlow = (value: number, upper: number): boolean => value <= upper;

/** A value that is not outside is inside. */
export const isWithin = (value: number, low: number, high: number): boolean =>
  !(value < low || value > high);
