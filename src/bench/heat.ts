import { heldSystem, type HeldSystem } from './held.js';

/** Thermal resistances in K/W and heat capacities in J/K: winding to body, body to surroundings. */
export interface ThermalPath {
  readonly windingResistance: number;
  readonly windingCapacity: number;
  readonly bodyResistance: number;
  readonly bodyCapacity: number;
}

/**
 * Winding and body as two masses in a row, heated in the winding; exact for a power held over a step.
 * The body carries the magnets.
 *
 * Check: tests/checks/physics.check.ts, row N-9 with the body held at the surroundings, and the
 * heating figures of the H12.
 */
export class Heat {
  private windingRise: number;
  private bodyRise: number;
  private readonly held: HeldSystem;

  /**
   * @param ambient - °C
   * @param step - s
   * @param warmth - K by which winding and body are warmer than that at the start.
   */
  constructor(
    path: ThermalPath,
    readonly ambient: number,
    step: number,
    warmth = 0,
  ) {
    this.windingRise = warmth;
    this.bodyRise = warmth;
    const { windingResistance: r1, windingCapacity: c1, bodyResistance: r2 } = path;
    const c2 = path.bodyCapacity;
    const a = [-1 / (r1 * c1), 1 / (r1 * c1), 1 / (r1 * c2), -(1 / r1 + 1 / r2) / c2] as const;
    this.held = heldSystem({ a, b: [1 / c1, 0] }, step);
  }

  /** Mean of the winding, °C. */
  get winding(): number {
    return this.ambient + this.windingRise;
  }

  /** Body and magnets, °C. */
  get body(): number {
    return this.ambient + this.bodyRise;
  }

  /** Applies a power in W for one step. */
  advance(power: number): void {
    const { f11, f12, f21, f22, g1, g2 } = this.held;
    const winding = f11 * this.windingRise + f12 * this.bodyRise + g1 * power;
    this.bodyRise = f21 * this.windingRise + f22 * this.bodyRise + g2 * power;
    this.windingRise = winding;
  }
}
