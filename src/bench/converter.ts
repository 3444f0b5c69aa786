import type { Channel } from './bench.js';
import { Noise } from './noise.js';
import type { StandParameters } from './spread.js';

/** Samples of every channel, written in place: N·m, A, N·m, V, °C, and Pa where there is a microphone. */
export type Frame = Readonly<Record<Exclude<Channel, 'sound'>, Float32Array>> & {
  readonly sound?: Float32Array;
};

/** Arrays for `count` samples of every channel. */
export function frameOf(count: number, sound = false): Frame {
  const array = (): Float32Array => new Float32Array(count);
  return {
    command: array(),
    current: array(),
    torque: array(),
    supply: array(),
    winding: array(),
    ...(sound && { sound: array() }),
  };
}

/** What the sensors see during one sample period; means over the period. */
export interface Seen {
  command: number;
  current: number;
  torque: number;
  supply: number;
  winding: number;
  sound: number;
}

const BITS = 16;
/** Codes on either side of zero. */
const CODES = 2 ** (BITS - 1);
const MAINS = 50; // Hz
/** V and °C: ends of the converter for supply and winding. */
export const SUPPLY_RANGE = 80;
export const WINDING_RANGE = 200;
/** Most samples a converter may be late. */
const LINE = 64;

/** One channel of the converter: delay, noise, then 16 bits over ± its range. */
class Input {
  private readonly line = new Float64Array(LINE);
  private at = 0;
  private readonly size: number;

  constructor(
    range: number,
    private readonly noise: number,
    private readonly delay: number,
  ) {
    this.size = range / CODES;
  }

  convert(value: number, deviate: number): number {
    this.line[this.at] = value;
    const late = this.line[(this.at - this.delay) & (LINE - 1)] as number;
    this.at = (this.at + 1) & (LINE - 1);
    const code = Math.round((late + this.noise * deviate) / this.size);
    return Math.max(-CODES, Math.min(CODES - 1, code)) * this.size;
  }

  /** Fills the delay line, as if the value had stood for long. */
  settle(value: number): void {
    this.line.fill(value);
  }
}

/**
 * Digitizer: all channels on one clock, each sample the mean over its period, all late by the same
 * delay. So the first samples of a take show what was before it, and times between channels are true.
 */
export class Converter {
  private readonly command: Input;
  private readonly current: Input;
  private readonly torque: Input;
  private readonly supply: Input;
  private readonly winding: Input;
  private readonly sound: Input;
  private noise = new Noise('converter');
  private readonly turnPerSample: number;
  private turn = 0;

  /** @param period - s */
  constructor(
    private readonly stand: StandParameters,
    period: number,
  ) {
    const late = stand.converterDelay;
    this.command = new Input(stand.torqueRange, 0, late);
    this.current = new Input(stand.currentRange, stand.currentNoise, late);
    this.torque = new Input(stand.torqueRange, stand.torqueNoise, late);
    this.supply = new Input(SUPPLY_RANGE, stand.supplyNoise, late);
    this.winding = new Input(WINDING_RANGE, stand.windingNoise, late);
    this.sound = new Input(stand.soundRange, 0, late);
    this.supply.settle(stand.supplyVoltage);
    this.winding.settle(stand.ambient);
    this.turnPerSample = 2 * Math.PI * MAINS * period;
  }

  /** Begins another stream of noise. */
  reseed(noise: Noise): void {
    this.noise = noise;
    this.turn = 2 * Math.PI * noise.uniform();
  }

  /** Writes one sample of every channel at index `at`. */
  convert(seen: Seen, frame: Frame, at: number): void {
    const { noise, stand } = this;
    this.turn += this.turnPerSample;
    if (this.turn > 2 * Math.PI) this.turn -= 2 * Math.PI;
    const hum = Math.SQRT2 * stand.hum * Math.sin(this.turn);
    frame.command[at] = this.command.convert(seen.command, 0);
    frame.current[at] = this.current.convert(
      seen.current * (1 + stand.currentGain),
      noise.normal(),
    );
    frame.torque[at] = this.torque.convert(seen.torque + hum, noise.normal());
    frame.supply[at] = this.supply.convert(seen.supply, noise.normal());
    frame.winding[at] = this.winding.convert(seen.winding, noise.normal());
    if (frame.sound !== undefined) frame.sound[at] = this.sound.convert(seen.sound, 0);
  }
}
