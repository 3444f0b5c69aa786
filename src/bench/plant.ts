import type { Fixture, Settings } from '../procedure/procedure.js';
import type { Waveform } from '../pattern/waveform.js';
import type { DeviceReport } from './bench.js';
import { Converter, type Frame, type Seen } from './converter.js';
import { Firmware } from './firmware.js';
import { Heat } from './heat.js';
import {
  copperLoss,
  copperResistance,
  CurrentLoop,
  MAGNET,
  MAGNET_REFERENCE,
  magnetRatio,
  responseOf,
  voltageCeiling,
  Winding,
} from './motor.js';
import { Noise } from './noise.js';
import { coggingAt, type Parameters } from './spread.js';
import { Stand } from './stand.js';
import { Supply } from './supply.js';
import { Amplifier } from './transducer.js';

/** Samples a second: also the rate of the current loop. */
export const SAMPLE_RATE = 20_000;
/** Steps of the physics in one sample: 100 kHz. */
const STEPS = 5;
const PERIOD = 1 / SAMPLE_RATE;
const STEP = PERIOD / STEPS;
/** Samples between two looks at the temperatures: 1 ms. */
const HEAT_SAMPLES = 20;
/** Periods of the current loop that the torque may stay above the ceiling before the item trips: 2 ms. */
const OVER_PERIODS = 40;
/** What overshoot of the current loop is let through. */
const OVER_SHARE = 1.05;
/**
 * Hz: first ripple; the second is at twice this. The sixth and twelfth order of a turn stand still with
 * a locked shaft; so that ripple can be rehearsed all the same, they are put where a slow turn would
 * have them: in the band that is scored and clear of the mains.
 */
const RIPPLE = 72;
const POLE_PAIRS = 10;
/** A at which the droop of the torque constant is stated. */
const DROOP_CURRENT = 20;
/** s before the allowance ends, so that the torque is gone when it does. */
const DEAD_MAN_MARGIN = 5e-3;

/** Why the item took its torque away by itself, with the code it reports. */
export const FAULT_CODES = { none: 0, deadMan: 11, overTorque: 12, safeTorqueOff: 13 } as const;
export type FaultCode = (typeof FAULT_CODES)[keyof typeof FAULT_CODES];

/**
 * The item, its stand and the digitizer as one system, advanced sample by sample at 20 kHz with five
 * steps of the physics in each.
 *
 * Temperatures, drift and friction go on from take to take. Power is off until `enable`.
 */
export class Plant {
  /** Code of the fault that took the torque away, or 0. It stays until power is enabled anew. */
  fault: FaultCode = FAULT_CODES.none;
  enabled = false;
  /** Whether a waveform plays, and so the dead-man must be fed. */
  watched = false;
  /** N·m that a broken item adds to every set point; for rehearsals. */
  uncommanded = 0;
  private readonly firmware: Firmware;
  private readonly loop: CurrentLoop;
  private readonly winding: Winding;
  private readonly stand: Stand;
  private readonly amplifier: Amplifier;
  private readonly heat: Heat;
  private readonly supply: Supply;
  private readonly converter: Converter;
  private readonly seen: Seen;
  private sensorNoise = new Noise('sensor');
  private fixture: Fixture = 'coupled';
  private ceiling = 0;
  private samples = 0;
  private takenFrom = 0;
  private unfed = 0;
  private over = 0;
  private joules = 0;
  private resistance = 0;
  private constant = 0;
  private readonly cogging: number;
  private readonly hotShare: number;
  private readonly deadManSamples: number;

  /** @param deadMan - s without a feed after which there is no torque. */
  constructor(
    private readonly parameters: Parameters,
    deadMan: number,
  ) {
    const { item, stand } = parameters;
    this.firmware = new Firmware(item, PERIOD, 1 + item.clockSkew);
    this.loop = new CurrentLoop(item.loop, PERIOD);
    this.winding = new Winding(item.inductance, STEP);
    this.stand = new Stand({ ...stand, inertia: item.inertia, friction: item.friction }, STEP);
    this.amplifier = new Amplifier(stand.amplifierDelay, STEP);
    this.heat = new Heat(item.thermal, stand.ambient, HEAT_SAMPLES * PERIOD);
    this.supply = new Supply(stand.supplyVoltage, stand.supplyResistance, PERIOD);
    this.converter = new Converter(stand, PERIOD);
    this.cogging = coggingAt(item, stand.angle);
    // Of three windings at rest each takes 0 … 2 times its share of heat, by the angle; one has the sensor.
    this.hotShare = item.hotWinding * (1 + Math.cos(2 * POLE_PAIRS * stand.angle));
    this.deadManSamples = Math.round((deadMan - DEAD_MAN_MARGIN) * SAMPLE_RATE);
    this.seen = { command: 0, current: 0, torque: 0, supply: 0, winding: 0 };
    this.warm();
  }

  /** Begins a take: its noise is named, its counters start from zero. */
  beginTake(name: string): void {
    this.takenFrom = this.samples;
    this.sensorNoise = new Noise(`${name}/sensor`);
    this.converter.reseed(new Noise(`${name}/converter`));
  }

  /** Arranges the stand. Only a coupled shaft reaches the transducer. */
  arrange(fixture: Fixture): void {
    this.fixture = fixture;
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
  start(waveform: Waveform, settings: Settings): void {
    this.firmware.start(waveform.command, waveform.rate, settings.smoothing);
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

  /** What the device says of the take so far. */
  report(): DeviceReport {
    const time = (this.samples - this.takenFrom) * PERIOD;
    return {
      updates: this.firmware.count,
      missing: 0,
      time: time * (1 + this.parameters.item.clockSkew),
      fault: this.fault,
      torqueEnabled: this.enabled,
    };
  }

  feed(): void {
    this.unfed = 0;
  }

  /** Torque in the shaft now, N·m, whatever the transducer says. */
  get shaftTorque(): number {
    return this.stand.torque;
  }

  get supplyVoltage(): number {
    return this.supply.voltage;
  }

  /** Advances by `count` samples and writes them into `frame` from index `at` on. */
  run(frame: Frame, at: number, count: number): void {
    for (let i = at; i < at + count; i++) {
      this.advance();
      this.converter.convert(this.seen, frame, i);
    }
  }

  private advance(): void {
    const { item } = this.parameters;
    if (this.samples % HEAT_SAMPLES === 0) this.warm();
    const voltage = this.enabled ? this.control() : 0;
    let currents = 0;
    let torques = 0;
    for (let step = 0; step < STEPS; step++) {
      const current = this.enabled ? this.winding.advance(voltage) : this.fall();
      const positive = current > 0 ? 0.5 : -0.5;
      const load = Math.abs(current) / DROOP_CURRENT;
      const share = (1 + positive * item.split) * (1 - item.droop * load * load * load);
      const spring = this.stand.advance(this.constant * share * current + this.cogging);
      torques += this.amplifier.advance(this.fixture === 'coupled' ? spring : 0);
      currents += current;
    }
    const current = currents / STEPS;
    const loss = copperLoss(this.resistance, current);
    this.supply.advance(this.enabled ? 1.5 * voltage * current : 0);
    this.joules += loss * PERIOD;
    this.see(current, torques / STEPS);
    this.samples += 1;
  }

  /** One period of the firmware: watchdog, set point, ceiling and current loop. Returns the voltage. */
  private control(): number {
    const { item } = this.parameters;
    if (this.watched && ++this.unfed > this.deadManSamples) {
      this.trip(FAULT_CODES.deadMan);
      return 0;
    }
    const wanted = this.firmware.tick() + item.offset + this.uncommanded;
    const measured = this.winding.current + item.currentNoise * this.sensorNoise.normal();
    const estimate = Math.abs(item.assumedConstant * this.winding.current);
    this.over = estimate > OVER_SHARE * this.ceiling ? this.over + 1 : 0;
    if (this.over > OVER_PERIODS) {
      this.trip(FAULT_CODES.overTorque);
      return 0;
    }
    const asked = (wanted / item.assumedConstant) * (1 + this.ripple());
    return this.loop.tick(asked, measured, voltageCeiling(this.supply.voltage));
  }

  private ripple(): number {
    const turn = 2 * Math.PI * RIPPLE * PERIOD * (this.samples % SAMPLE_RATE);
    const [first, second] = this.parameters.item.ripple;
    return first * Math.sin(turn) + second * Math.sin(2 * turn);
  }

  /** One step with the bridge off. */
  private fall(): number {
    this.stand.relax();
    if (this.winding.current === 0) return 0;
    return this.winding.freewheel(voltageCeiling(this.supply.voltage));
  }

  private see(current: number, torque: number): void {
    const { stand } = this.parameters;
    const seen = this.seen;
    const clamped = this.fixture === 'coupled' ? torque + stand.preload : 0;
    const shunt = this.fixture === 'shunt' ? stand.shunt : 0;
    const zero = stand.zero + stand.drift * this.samples * PERIOD;
    seen.command = this.enabled ? this.firmware.latched : 0;
    seen.current = current;
    seen.torque = (1 + stand.torqueGain) * stand.polarity * clamped + shunt + zero;
    seen.supply = this.supply.voltage;
  }

  /** Takes over the heat of the last millisecond. */
  private warm(): void {
    const { item } = this.parameters;
    this.heat.advance(this.joules / (HEAT_SAMPLES * PERIOD));
    this.joules = 0;
    this.resistance = copperResistance(item.resistance, 20, this.heat.winding);
    this.winding.warm(this.resistance);
    this.loop.tune(responseOf(this.resistance, item.inductance, PERIOD));
    this.constant = item.torqueConstant * magnetRatio(MAGNET, MAGNET_REFERENCE, this.heat.body);
    this.seen.winding = this.heat.body + this.hotShare * (this.heat.winding - this.heat.body);
  }
}
