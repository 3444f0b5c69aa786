import { heldSystem, type HeldSystem } from './held.js';

/** Rotor, coupling and transducer of a locked shaft. */
export interface Shaft {
  /** kg·m² */
  readonly inertia: number;
  /** N·m/rad */
  readonly stiffness: number;
  /** Damping ratio, 1. */
  readonly damping: number;
  /** Coulomb friction of the bearing, N·m. */
  readonly friction: number;
  /** Full clearance of the coupling, rad. */
  readonly play: number;
}

/** rad: travel after which the bearing slides with its full friction. */
const BREAKAWAY = 10e-6;
/** Share of that travel in which the bearing springs back without having slid. */
const ELASTIC_SHARE = 0.5;
/** s: damping of the sticking contacts over their stiffness. */
const CONTACT_TIME = 0.56e-3;
/** s: with power off nothing holds the bearing against the shaking of the stand, and it lets go. */
const LETTING_GO = 0.1;

/**
 * Bearing friction with a deflection that is elastic before it slides. Small motion to and fro does
 * not creep, which keeps the loop of a slow triangle open under dither.
 *
 * Source: Dupont, Hayward, Armstrong and Altpeter, single state elastoplastic friction models, IEEE
 * Transactions on Automatic Control 47, 2002 (from memory); the transition here is a cubic.
 * Check: tests/unit/plant.test.ts.
 */
export class Friction {
  private deflection = 0;
  private readonly slack: number;

  /**
   * @param level - N·m, ≥ 0
   * @param step - s
   */
  constructor(
    private readonly level: number,
    private readonly step: number,
  ) {
    this.slack = Math.exp(-step / LETTING_GO);
  }

  /** Moves by `travel` rad in one step and returns the torque against the motion, N·m. */
  advance(travel: number): number {
    const share = this.deflection / BREAKAWAY;
    const slid = share * travel > 0 ? sliding(Math.abs(share)) : 0;
    // Travel beyond what breaks the contact away, as in a loose coupling, slides and deflects no more.
    const next = this.deflection + travel * (1 - slid * Math.abs(share));
    const change = Math.max(-BREAKAWAY, Math.min(BREAKAWAY, next)) - this.deflection;
    this.deflection += change;
    const rate = change / this.step;
    return (this.level * (this.deflection + CONTACT_TIME * rate)) / BREAKAWAY;
  }

  /** Lets the deflection fade, one step with power off. */
  relax(): void {
    this.deflection *= this.slack;
  }
}

/** 0 while elastic, 1 when sliding, a smooth cubic between. */
function sliding(share: number): number {
  if (share <= ELASTIC_SHARE) return 0;
  if (share >= 1) return 1;
  const x = (share - ELASTIC_SHARE) / (1 - ELASTIC_SHARE);
  return x * x * (3 - 2 * x);
}

/**
 * The locked shaft as a mass on a spring, exact for a torque held over each step. What acts on the
 * transducer is the spring's torque, not the motor's.
 *
 * Check: tests/checks/physics.check.ts, rows, B-2 and the amplitude errors of the stand.
 */
export class Stand {
  private angle = 0;
  private speed = 0;
  private against = 0;
  private readonly held: HeldSystem;
  private readonly friction: Friction;

  /** @param step - s */
  constructor(
    private readonly shaft: Shaft,
    step: number,
  ) {
    const { inertia, stiffness, damping, friction } = shaft;
    const square = stiffness / inertia;
    const a = [0, 1, -square, -2 * damping * Math.sqrt(square)] as const;
    this.held = heldSystem({ a, b: [0, 1 / inertia] }, step);
    this.friction = new Friction(friction, step);
  }

  /** Torque in the spring now, N·m. */
  get torque(): number {
    return this.shaft.stiffness * (this.angle - this.lost(this.angle));
  }

  /** Applies a motor torque for one step and returns the mean torque in the spring, N·m. */
  advance(torque: number): number {
    const before = this.angle;
    const lost = this.shaft.stiffness * this.lost(before);
    const acting = torque - this.against + lost;
    const { f11, f12, f21, f22, g1, g2 } = this.held;
    this.angle = f11 * before + f12 * this.speed + g1 * acting;
    this.speed = f21 * before + f22 * this.speed + g2 * acting;
    this.against = this.friction.advance(this.angle - before);
    return (this.shaft.stiffness * (before + this.angle)) / 2 - lost;
  }

  /** Lets the bearing relax, one step with power off. */
  relax(): void {
    this.friction.relax();
  }

  /** Part of an angle that the clearance swallows, rad. */
  private lost(angle: number): number {
    const half = this.shaft.play / 2;
    return Math.max(-half, Math.min(half, angle));
  }
}
