import type { Settings } from '../procedure/procedure.js';
import type { DeviceReport } from './bench.js';
import { Firmware } from './firmware.js';
import type { CountedUpdates } from './link.js';
import { CurrentLoop, type Response, voltageCeiling } from './motor.js';
import { Noise } from './noise.js';
import type { ItemParameters } from './spread.js';

/** Periods of the current loop that the torque may stay above the ceiling before the item trips: 2 ms. */
const OVER_PERIODS = 40;
/** What overshoot of the current loop is let through. */
const OVER_SHARE = 1.05;
/** s before the allowance ends, so that the torque is gone when it does. */
const DEAD_MAN_MARGIN = 5e-3;

/**
 * Hz: first ripple; the second is at twice this. The sixth and twelfth order of a turn stand still with
 * a locked shaft; so that ripple can be rehearsed all the same, they are put where a slow turn would
 * have them: in the band that is scored and clear of the mains.
 */
const RIPPLE = 72;

/** Why the item took its torque away by itself, with the code it reports. */
export const FAULT_CODES = {
  none: 0,
  deadMan: 11,
  overTorque: 12,
  safeTorqueOff: 13,
  internal: 14,
} as const;
export type FaultCode = (typeof FAULT_CODES)[keyof typeof FAULT_CODES];

/** What the electronics of the item say of the take so far. */
export type DriveReport = Omit<Required<DeviceReport>, 'time'>;

/**
 * The electronics of the item: watchdog, set point, ceiling and current loop, one tick per period.
 * Power is off until `enable`.
 */
export class Drive {
  /** Code of the fault that took the torque away, or 0. It stays until power is enabled anew. */
  fault: FaultCode = FAULT_CODES.none;
  enabled = false;
  /** Whether a waveform plays, and so the dead-man must be fed. */
  watched = false;
  /** N·m that a broken item adds to every set point; for rehearsals. */
  uncommanded = 0;
  private readonly firmware: Firmware;
  private readonly loop: CurrentLoop;
  private deadManPeriods: number;
  private sensorNoise = new Noise('sensor');
  private link: CountedUpdates | undefined;
  private ceiling = 0;
  private unfed = 0;
  private over = 0;
  private duty = 0;

  /**
   * @param deadMan - s without a feed after which there is no torque.
   * @param period - s
   * @param clock - Ticks of the device's clock per tick of the digitizer's.
   */
  constructor(
    private readonly item: ItemParameters,
    deadMan: number,
    private readonly period: number,
    clock: number,
  ) {
    this.firmware = new Firmware(item, period, clock);
    this.loop = new CurrentLoop(item.loop, period);
    this.deadManPeriods = periodsOf(deadMan, period);
  }

  /** Sets s without a feed after which there is no torque. */
  set deadMan(seconds: number) {
    this.deadManPeriods = periodsOf(seconds, this.period);
  }

  /** Begins a take: counters start from zero, the sensor has another stream of noise. */
  beginTake(noise: Noise): void {
    this.sensorNoise = noise;
    this.link = undefined;
    this.duty = 0;
  }

  /** Applies power at zero torque with a ceiling in N·m. */
  enable(ceiling: number): void {
    this.ceiling = ceiling;
    this.firmware.limit(ceiling);
    this.firmware.cut();
    this.loop.reset();
    this.fault = FAULT_CODES.none;
    this.over = 0;
    this.enabled = true;
  }

  /** Takes torque and power away at once. */
  disable(): void {
    this.enabled = false;
    this.watched = false;
    this.firmware.cut();
    this.loop.reset();
  }

  /** Takes torque away on the item's own account; the first reason stays. */
  trip(code: FaultCode): void {
    if (this.fault === FAULT_CODES.none) this.fault = code;
    this.disable();
  }

  /** Begins a waveform; from now on the dead-man must be fed. */
  start(link: CountedUpdates, settings: Settings): void {
    this.link = link;
    this.firmware.start(link, settings.smoothing, settings.slew);
    this.watched = true;
    this.unfed = 0;
  }

  /** Ends a waveform: the set point goes to zero at the slew limit, and no feed is needed there. */
  finish(): void {
    this.firmware.finish();
    this.watched = false;
  }

  /** Brings torque to zero along a line within 150 ms. */
  rampOut(): void {
    this.firmware.rampOut();
    this.watched = false;
  }

  feed(): void {
    this.unfed = 0;
  }

  /** Takes over the winding as the firmware knows it. */
  tune(response: Response): void {
    this.loop.tune(response);
  }

  /** Command as latched, N·m; without power there is none. */
  get latched(): number {
    return this.enabled ? this.firmware.latched : 0;
  }

  /** Time since the start of the waveform and length of a period, counted in updates. */
  get position(): number {
    return this.firmware.position;
  }

  get step(): number {
    return this.firmware.step;
  }

  report(): DriveReport {
    const none = { updates: 0, missing: 0, gap: 0, jitter: 0 };
    const tally = this.link?.tally(this.firmware.count) ?? none;
    const { duty, fault, enabled } = this;
    return { ...tally, linkLost: tally.missing, duty, fault, torqueEnabled: enabled };
  }

  /**
   * One period of the firmware with power on.
   *
   * @param current - A in the winding.
   * @param bus - V
   * @param sample - Samples since the plant began.
   * @returns V on the winding.
   */
  tick(current: number, bus: number, sample: number): number {
    const { item } = this;
    if (this.watched && ++this.unfed > this.deadManPeriods) {
      this.trip(FAULT_CODES.deadMan);
      return 0;
    }
    const wanted = this.firmware.tick() + item.offset + this.uncommanded;
    const measured = current + item.currentNoise * this.sensorNoise.normal();
    const estimate = Math.abs(item.assumedConstant * current);
    this.over = estimate > OVER_SHARE * this.ceiling ? this.over + 1 : 0;
    if (this.over > OVER_PERIODS) {
      this.trip(FAULT_CODES.overTorque);
      return 0;
    }
    const asked = (wanted / item.assumedConstant) * (1 + this.ripple(sample));
    const available = voltageCeiling(bus);
    const voltage = this.loop.tick(asked, measured, available);
    this.duty = Math.max(this.duty, Math.min(1, Math.abs(voltage) / available));
    return voltage;
  }

  private ripple(sample: number): number {
    const turn = 2 * Math.PI * RIPPLE * this.period * (sample % Math.round(1 / this.period));
    const [first, second] = this.item.ripple;
    return first * Math.sin(turn) + second * Math.sin(2 * turn);
  }
}

/** Periods without a feed until the torque is taken away. */
function periodsOf(deadMan: number, period: number): number {
  return Math.round((deadMan - DEAD_MAN_MARGIN) / period);
}
