import type { Fixture, Settings } from '../procedure/procedure.js';
import type { Waveform } from '../pattern/waveform.js';
import type { DeviceReport } from './bench.js';
import { Converter, type Frame, type Seen } from './converter.js';
import { Drive, type FaultCode } from './drive.js';
import { TEST_COMMAND, TEST_CURRENT, testSignal } from './edges.js';
import { handTorque } from './hand.js';
import { Heat } from './heat.js';
import { type CountedUpdates, Link } from './link.js';
import {
  copperLoss,
  copperResistance,
  MAGNET,
  MAGNET_REFERENCE,
  magnetRatio,
  responseOf,
  voltageCeiling,
  Winding,
} from './motor.js';
import { Noise } from './noise.js';
import { Microphone } from './sound.js';
import { coggingAt, commutationAt, hotShareAt, type Parameters } from './spread.js';
import { Stand } from './stand.js';
import { Supply } from './supply.js';
import { Sensors } from './transducer.js';
import { Rest, VirtualWheel } from './wheel.js';

/** Samples a second: also the rate of the current loop. */
export const SAMPLE_RATE = 20_000;
/** Steps of the physics in one sample: 100 kHz. */
const STEPS = 5;
const PERIOD = 1 / SAMPLE_RATE;
const STEP = PERIOD / STEPS;
/** Samples between two looks at the temperatures: 1 ms. */
const HEAT_SAMPLES = 20;
/** A at which the droop of the torque constant is stated. */
const DROOP_CURRENT = 20;
/** s that the stand takes to turn the locked shaft to another angle. */
export const INDEXING = 0.5;

/**
 * The item, its stand and the digitizer as one system, advanced sample by sample at 20 kHz with five
 * steps of the physics in each.
 *
 * Temperatures, drift and friction go on from take to take. Power is off until `enable`.
 */
export class Plant {
  private readonly drive: Drive;
  private readonly winding: Winding;
  private readonly stand: Stand;
  private readonly sensors: Sensors;
  private readonly microphone: Microphone | undefined;
  private readonly heat: Heat;
  private readonly supply: Supply;
  private readonly converter: Converter;
  private readonly seen: Seen;
  private readonly rest = new Rest();
  private wheel: VirtualWheel | undefined;
  private fixture: Fixture = 'coupled';
  private take = '';
  private samples = 0;
  private takenFrom = 0;
  private joules = 0;
  private resistance = 0;
  private constant = 0;
  private angle: number;
  private cogging = 0;
  private hotShare = 0;
  private commutation = 1;
  /** Samples until the shaft is clamped again after it was turned. */
  private turning = 0;
  /** Whether the test signal runs. */
  private testing = false;

  /** @param deadMan - s without a feed after which there is no torque. */
  constructor(
    private readonly parameters: Parameters,
    deadMan: number,
  ) {
    const { item, stand } = parameters;
    const clock = (1 + item.clockSkew) / (1 + stand.clockSkew);
    this.drive = new Drive(item, deadMan, PERIOD, clock);
    this.winding = new Winding(item.inductance, STEP);
    this.stand = new Stand({ ...stand, inertia: item.inertia, friction: item.friction }, STEP);
    this.sensors = new Sensors(stand, STEP);
    const { noisiness } = item;
    this.microphone =
      stand.soundRange > 0 ? new Microphone(noisiness, stand.roomNoise, PERIOD) : undefined;
    this.heat = new Heat(
      item.thermal,
      stand.ambient,
      HEAT_SAMPLES * PERIOD,
      parameters.operator.warmth,
    );
    this.supply = new Supply(stand.supplyVoltage, stand.supplyResistance, PERIOD);
    this.converter = new Converter(stand, PERIOD);
    this.seen = { command: 0, current: 0, torque: 0, supply: 0, winding: 0, sound: 0 };
    this.angle = stand.angle;
    this.lock();
    this.warm();
  }

  /** Begins a take: its noise is named, its counters start from zero. */
  beginTake(name: string): void {
    this.take = name;
    this.takenFrom = this.samples;
    this.testing = this.fixture === 'timing';
    this.drive.beginTake(new Noise(`${name}/sensor`));
    this.converter.reseed(new Noise(`${name}/converter`));
    this.microphone?.reseed(new Noise(`${name}/sound`));
  }

  /** Arranges the stand. Only a coupled shaft reaches the transducer. */
  arrange(fixture: Fixture): void {
    this.fixture = fixture;
    this.testing = false;
  }

  /** Whether the locked shaft stands at an angle, rad from where it was clamped. */
  isAt(angle: number): boolean {
    return this.angle === this.parameters.stand.angle + angle;
  }

  /** Begins to turn the locked shaft to an angle; `INDEXING` later it stands still. */
  index(angle: number): void {
    this.angle = this.parameters.stand.angle + angle;
    this.turning = Math.round(INDEXING * SAMPLE_RATE);
    this.lock();
  }

  /** Applies power at zero torque with a ceiling in N·m. */
  enable(ceiling: number): void {
    this.drive.enable(ceiling);
  }

  /** Takes torque and power away at once. */
  disable(): void {
    this.wheel = undefined;
    this.drive.disable();
  }

  /** Takes torque away on the item's own account; the first reason stays. */
  trip(code: FaultCode): void {
    this.drive.trip(code);
  }

  /** Begins a waveform; from now on the dead-man must be fed. */
  start(waveform: Waveform, settings: Settings): void {
    const { item, stand, link } = this.parameters;
    const noise = new Noise(`${this.take}/link`);
    const updates = new Link(waveform, link, item.commandTimeout, noise);
    const { wheel } = waveform;
    this.wheel =
      wheel === undefined
        ? undefined
        : new VirtualWheel({ ...waveform, wheel }, updates, this.rest.mean, stand.loopDelay);
    this.drive.start(updates, settings);
  }

  /** Begins to latch updates that come one by one; from now on the dead-man must be fed. */
  follow(updates: CountedUpdates, settings: Settings): void {
    this.wheel = undefined;
    this.drive.start(updates, settings);
  }

  /** Ends a waveform: the set point goes to zero at the slew limit, and no feed is needed there. */
  finish(): void {
    this.wheel = undefined;
    this.drive.finish();
  }

  /** Brings torque to zero along a line within 150 ms. */
  rampOut(): void {
    this.wheel = undefined;
    this.drive.rampOut();
  }

  /** What the device says of the take so far. */
  report(): Required<DeviceReport> {
    const time = this.deviceClock(this.samples) - this.deviceClock(this.takenFrom);
    return { ...this.drive.report(), time };
  }

  feed(): void {
    this.drive.feed();
  }

  /** Code of the fault that took the torque away, or 0. */
  get fault(): FaultCode {
    return this.drive.fault;
  }

  get enabled(): boolean {
    return this.drive.enabled;
  }

  /** Whether a waveform plays, and so the dead-man must be fed. */
  get watched(): boolean {
    return this.drive.watched;
  }

  /** Time since the start of what plays and length of a sample, counted in updates. */
  get position(): number {
    return this.drive.position;
  }

  get step(): number {
    return this.drive.step;
  }

  /** Sets s without a feed after which there is no torque. */
  set deadMan(seconds: number) {
    this.drive.deadMan = seconds;
  }

  /** N·m that a broken item adds to every set point; for rehearsals. */
  set uncommanded(torque: number) {
    this.drive.uncommanded = torque;
  }

  /** Torque in the shaft now, N·m, whatever the transducer says. */
  get shaftTorque(): number {
    return this.stand.torque;
  }

  /** Torque of the motor now, N·m, after its current. */
  get motorTorque(): number {
    return this.torqueOf(this.winding.current);
  }

  get supplyVoltage(): number {
    return this.supply.voltage;
  }

  /** Advances by `count` samples and writes them into `frame` from index `at` on. */
  run(frame: Frame, at: number, count: number): void {
    for (let i = at; i < at + count; i++) {
      this.advance();
      this.converter.convert(this.seen, frame, i);
      this.reckon(frame.torque[i] as number);
    }
  }

  /** Device clock at a sample, s, on the clock of the digitizer. */
  private deviceClock(sample: number): number {
    const { item, stand } = this.parameters;
    const time = sample * PERIOD;
    const steps = stand.clockStepEvery === 0 ? 0 : Math.floor(time / stand.clockStepEvery);
    return (time * (1 + item.clockSkew)) / (1 + stand.clockSkew) + (steps % 2) * stand.clockStep;
  }

  /** Hands the torque as digitized to the wheel, or keeps it for when one begins. */
  private reckon(torque: number): void {
    const { drive, wheel } = this;
    if (!drive.watched) this.rest.see(torque);
    else if (wheel !== undefined) wheel.advance(torque, drive.position, drive.step);
  }

  private advance(): void {
    if (this.samples % HEAT_SAMPLES === 0) this.warm();
    const { drive } = this;
    const bus = this.supply.voltage;
    const voltage = drive.enabled ? drive.tick(this.winding.current, bus, this.samples) : 0;
    const hand = this.fixture === 'coupled' ? this.hand() : 0;
    let currents = 0;
    let torques = 0;
    for (let step = 0; step < STEPS; step++) {
      const current = drive.enabled ? this.winding.advance(voltage) : this.fall();
      const torque = this.torqueOf(current);
      this.sense(this.stand.advance(torque + this.cogging + hand), current, step);
      currents += current;
      torques += torque;
    }
    const current = currents / STEPS;
    this.supply.advance(drive.enabled ? 1.5 * voltage * current : 0);
    this.joules += copperLoss(this.resistance, current) * PERIOD;
    this.see(torques / STEPS);
    this.samples += 1;
  }

  /** Torque of the motor at a current, N·m. */
  private torqueOf(current: number): number {
    const { item } = this.parameters;
    const positive = current > 0 ? 0.5 : -0.5;
    const load = Math.abs(current) / DROOP_CURRENT;
    const share = (1 + positive * item.split) * (1 - item.droop * load * load * load);
    return this.constant * share * current;
  }

  private hand(): number {
    return handTorque(this.parameters.operator.hand, PERIOD * this.samples);
  }

  /** One step of the sensors: what the shaft and the winding do, or the test signal. */
  private sense(spring: number, current: number, step: number): void {
    if (this.turning > 0) this.stand.relax(); // turned to and fro, the bearing lets go
    if (!this.testing) {
      this.sensors.take(this.fixture === 'coupled' ? spring : 0, current);
      return;
    }
    const { shunt, shuntLeft } = this.parameters.stand;
    const from = this.samples - this.takenFrom + step / STEPS;
    const test = testSignal(from, from + 1 / STEPS);
    this.sensors.take(shuntLeft === 0 ? shunt * test : 0, TEST_CURRENT * test);
  }

  /** One step with the bridge off. */
  private fall(): number {
    this.stand.relax();
    if (this.winding.current === 0) return 0;
    return this.winding.freewheel(voltageCeiling(this.supply.voltage));
  }

  /** Takes what the sensors gave over a sample; `torque` is the motor's. */
  private see(torque: number): void {
    const { stand } = this.parameters;
    const seen = this.seen;
    this.sensors.read(seen);
    const clamped = this.fixture === 'coupled' ? seen.torque + stand.preload : 0;
    const on = this.shuntedBy();
    const shunt = this.testing ? on + seen.torque : on;
    const zero = stand.zero + stand.drift * this.samples * PERIOD;
    seen.torque = (1 + stand.torqueGain) * stand.polarity * clamped + shunt + zero;
    seen.command = this.testing ? TEST_COMMAND * this.tested() : this.drive.latched;
    seen.supply = this.supply.voltage;
    if (this.microphone !== undefined) seen.sound = this.microphone.hear(torque);
    this.turning = Math.max(0, this.turning - 1);
  }

  /** N·m that the shunt adds as it is switched. */
  private shuntedBy(): number {
    const { shunt, shuntNegative, shuntLeft } = this.parameters.stand;
    if (this.fixture === 'shunt') return Math.max(shunt, shuntLeft);
    return this.fixture === 'shunt-negative' ? shuntLeft - shuntNegative : shuntLeft;
  }

  /** Mean of the test signal over this sample. */
  private tested(): number {
    const from = this.samples - this.takenFrom;
    return testSignal(from, from + 1);
  }

  /** Takes over what depends on the angle at which the shaft is locked. */
  private lock(): void {
    const { item } = this.parameters;
    this.cogging = coggingAt(item, this.angle);
    this.hotShare = hotShareAt(item, this.angle);
    this.commutation = commutationAt(item, this.angle);
  }

  /** Takes over the heat of the last millisecond. */
  private warm(): void {
    const { item } = this.parameters;
    this.heat.advance(this.joules / (HEAT_SAMPLES * PERIOD));
    this.joules = 0;
    this.resistance = copperResistance(item.resistance, 20, this.heat.winding);
    this.winding.warm(this.resistance);
    this.drive.tune(responseOf(this.resistance, item.inductance, PERIOD));
    const magnets = magnetRatio(MAGNET, MAGNET_REFERENCE, this.heat.body);
    this.constant = item.torqueConstant * this.commutation * magnets;
    this.seen.winding = this.heat.body + this.hotShare * (this.heat.winding - this.heat.body);
  }
}
