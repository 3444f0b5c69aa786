import { unreachable } from '../base/error.js';

/** K: copper's resistance would vanish this far below 0 °C. IEC 60034-1 prints 235, IEEE 112 234.5. */
export const COPPER = 234.5;
/** 1/K: reversible loss of remanence of sintered NdFeB. */
export const MAGNET = -0.0011;
/** °C: temperature at which a torque constant is stated. */
export const MAGNET_REFERENCE = 23;

/**
 * Converts the resistance of a copper winding to another temperature.
 *
 * @param resistance - Ω at `from`.
 * @param from - °C
 * @param to - °C
 *
 * Source: resistance method of IEC 60034-1, 8.6.2, with the constant of IEEE Std 112 (from memory).
 * Check: tests/checks/physics.check.ts, rows N-1 and N-7.
 */
export function copperResistance(resistance: number, from: number, to: number): number {
  return (resistance * (COPPER + to)) / (COPPER + from);
}

/**
 * Returns remanence, and so torque constant, at `to` as a share of that at `from`.
 *
 * @param coefficient - 1/K, negative.
 *
 * Source: magnet data sheets, −0.09 … −0.12 %/K for sintered NdFeB.
 * Check: tests/checks/physics.check.ts, rows N-5 and N-7.
 */
export function magnetRatio(coefficient: number, from: number, to: number): number {
  return 1 + coefficient * (to - from);
}

/** Copper loss in W of three windings carrying a current of this amplitude, Ω and A. */
export function copperLoss(resistance: number, current: number): number {
  return 1.5 * resistance * current * current;
}

/** Largest voltage on the q axis that a three-leg bridge makes from its bus without overmodulation, V. */
export function voltageCeiling(bus: number): number {
  return bus / Math.sqrt(3);
}

/** Resistance and inductance in the q axis at standstill: exact for a voltage held over each step. */
export class Winding {
  /** A, amplitude. */
  current = 0;
  private decay = 1;
  private gain = 0;

  /**
   * @param inductance - H
   * @param step - s
   */
  constructor(
    private readonly inductance: number,
    private readonly step: number,
  ) {}

  /** Takes over a new resistance, Ω; the current goes on from where it was. */
  warm(resistance: number): void {
    const { decay, gain } = responseOf(resistance, this.inductance, this.step);
    this.decay = decay;
    this.gain = gain;
  }

  /** Applies a voltage for one step and returns the mean of the current before and after, A. */
  advance(voltage: number): number {
    const before = this.current;
    this.current = this.decay * before + this.gain * voltage;
    return (before + this.current) / 2;
  }

  /** Lets the current fall against the bus through the diodes of a bridge that is off. */
  freewheel(voltage: number): number {
    const before = this.current;
    this.advance(before > 0 ? -voltage : voltage);
    if (before * this.current <= 0) this.current = 0;
    return (before + this.current) / 2;
  }
}

/** How the current loop of an item was tuned, Hz and 1. */
export type Tuning =
  /** The zero of the regulator lies on the pole of the winding: one pole is left, at `frequency`. */
  | { readonly kind: 'cancelling'; readonly frequency: number }
  /** Both poles at `frequency` with this damping ratio. */
  | { readonly kind: 'damped'; readonly frequency: number; readonly damping: number };

/** What is left of the winding's current after one period without voltage, and A per V of one period. */
export interface Response {
  readonly decay: number;
  readonly gain: number;
}

/** The response of a winding to a voltage held over a period; Ω, H, s. */
export function responseOf(resistance: number, inductance: number, period: number): Response {
  const exponent = (-resistance * period) / inductance;
  return { decay: Math.exp(exponent), gain: -Math.expm1(exponent) / resistance };
}

/**
 * Computes the gains of the regulator, V/A: of the error, and of its sum over the periods.
 *
 * Poles are placed in the sampled system i′ = decay·i + gain·v, so they are exact at any period.
 */
export function loopGains(
  tuning: Tuning,
  { decay, gain }: Response,
  period: number,
): { readonly proportional: number; readonly summed: number } {
  const turn = 2 * Math.PI * tuning.frequency * period;
  switch (tuning.kind) {
    case 'cancelling': {
      const proportional = (1 - Math.exp(-turn)) / gain;
      return { proportional, summed: (1 - decay) * proportional };
    }
    case 'damped': {
      const shrink = Math.exp(-tuning.damping * turn);
      const sum = 2 * shrink * Math.cos(turn * Math.sqrt(1 - tuning.damping ** 2));
      const proportional = (1 + decay - sum) / gain;
      return { proportional, summed: (1 - sum + shrink * shrink) / gain };
    }
    default:
      return unreachable(tuning);
  }
}

/** Periods from a set point to the middle of the voltage that answers it. */
export const LOOP_DELAY = 1.5;

/**
 * Lag of the current behind its set point at low frequency, s, without the delay of `LOOP_DELAY`
 * periods that counts as dead time. For a cancelling loop it is 1/(2π·frequency) but for half a percent.
 */
export function loopLag(tuning: Tuning, response: Response, period: number): number {
  const resistance = (1 - response.decay) / response.gain;
  return period * (resistance / loopGains(tuning, response, period).summed + 1 - LOOP_DELAY);
}

/**
 * Proportional-integral current regulator of the item, once per period. What it computes is applied
 * one period later, so it regulates the current that it predicts for then. Its sum stops growing
 * while the bus limits the voltage in the same direction.
 */
export class CurrentLoop {
  private sum = 0;
  private pending = 0;
  private decay = 0;
  private gain = 0;
  private proportional = 0;
  private summed = 0;

  /** @param period - s */
  constructor(
    private readonly tuning: Tuning,
    private readonly period: number,
  ) {}

  /** Takes over the winding as the firmware knows it. */
  tune(response: Response): void {
    const { proportional, summed } = loopGains(this.tuning, response, this.period);
    this.decay = response.decay;
    this.gain = response.gain;
    this.proportional = proportional;
    this.summed = summed;
  }

  reset(): void {
    this.sum = 0;
    this.pending = 0;
  }

  /**
   * Takes one measurement and returns the voltage for the period that begins now, V.
   *
   * @param asked - A
   * @param measured - A
   * @param ceiling - V
   */
  tick(asked: number, measured: number, ceiling: number): number {
    const applied = this.pending;
    const error = asked - (this.decay * measured + this.gain * applied);
    const wanted = this.proportional * error + this.sum;
    const voltage = Math.max(-ceiling, Math.min(ceiling, wanted));
    const windsUp = (wanted - voltage) * error > 0;
    if (!windsUp) this.sum += this.summed * error;
    this.pending = voltage;
    return applied;
  }
}
