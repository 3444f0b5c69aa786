import { heldSystem, type HeldSystem } from './held.js';
import { Noise } from './noise.js';

/** Hz and 1: the housing rings broadly around here. */
const RINGING = 900;
const DAMPING = 0.35;
/** Pa at the microphone for each N·m/s of changing torque, at that frequency. */
const RADIATION = 1.3e-4;
/** Hz: the room is dull above. */
const ROOM = 500;
/** Share of white noise of the microphone in the noise of the room. */
const HISS = 0.1;
/** Pa rms of noise for each Pa as the ear weighs it. */
const WEIGHED = 3.632;

/**
 * Microphone beside the item. Torque that changes shakes the housing, which radiates around 900 Hz:
 * so ripple, the noise of the current loop and every step of a staircase are heard, and a torque that
 * stands still is not. The room is always there.
 *
 * Check: tests/unit/sound.test.ts, A-weighted level of the room and of a held torque.
 */
export class Microphone {
  private position = 0;
  private slope = 0;
  private before = 0;
  private room = 0;
  private noise = new Noise('sound');
  private readonly held: HeldSystem;
  private readonly gain: number;
  private readonly fade: number;

  /**
   * @param noisiness - 1 for a good item.
   * @param roomNoise - Pa rms as the ear weighs it.
   * @param period - s
   */
  constructor(
    noisiness: number,
    private readonly roomNoise: number,
    period: number,
  ) {
    const ringing = 2 * Math.PI * RINGING;
    const broad = 2 * DAMPING * ringing;
    this.held = heldSystem({ a: [0, 1, -ringing * ringing, -broad], b: [0, broad] }, period);
    this.gain = (noisiness * RADIATION) / period;
    this.fade = Math.exp(-2 * Math.PI * ROOM * period);
  }

  /** Begins another stream of noise. */
  reseed(noise: Noise): void {
    this.noise = noise;
  }

  /** Takes the motor's mean torque of one period, N·m, and returns the sound pressure, Pa. */
  hear(torque: number): number {
    const change = this.gain * (torque - this.before);
    this.before = torque;
    const { f11, f12, f21, f22, g1, g2 } = this.held;
    const position = f11 * this.position + f12 * this.slope + g1 * change;
    this.slope = f21 * this.position + f22 * this.slope + g2 * change;
    this.position = position;
    const white = this.noise.normal();
    this.room = this.fade * this.room + (1 - this.fade) * white;
    return this.slope + WEIGHED * this.roomNoise * (this.room + HISS * white);
  }
}
