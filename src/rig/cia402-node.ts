import type { Clock } from '../base/clock.js';
import type { StallmarkError } from '../base/error.js';
import { FAULT_CODES, type FaultCode } from '../bench/drive.js';
import { problem } from '../bench/refusal.js';
import type { CanBus } from '../link/can-bus.js';
import {
  ALIVE,
  COB,
  emergencyOf,
  EmergencyQueue,
  HeartbeatWatch,
  nodeCommand,
  numberBytes,
  readNumber,
} from '../link/canopen.js';
import {
  CONTROLWORDS,
  INTERNAL_LIMIT,
  mayCarryTorque,
  nextCommand,
  stateOf,
  type DriveGoal,
  type DriveState,
} from '../link/cia402.js';
import { SdoClient } from '../link/sdo.js';
import type { Cia402Description } from '../procedure/links.js';
import { OBJECTS } from './cia402-setup.js';
import type { RollingCounts, SetPoint } from './cia402-stream.js';

/** ms for a change of state, and between two looks at it. */
const STATE_DEADLINE = 500;
const LOOK = 2;
/** Looks that are taken at most, one after the other. */
const MOST_LOOKS = 500;
/** ms within which a drive must say that its power is off, or that its target is zero. */
const OFF_DEADLINE = 100;
/** ms for a quick stop; then voltage is disabled, whatever came of it. */
const QUICK_STOP = 150;
/** ms between two feeds while torque is brought to zero: the loop that feeds has ended by then. */
const RAMP_FEED = 20;
/** ms without a heartbeat of the drive after which it is given up. */
const HEARTBEAT_SILENCE = 1000;

/** No set point: its number is not that of the first, which would begin a waveform. */
const NOTHING: SetPoint = { target: 0, number: 0xffff };

/** EMCY that have a code of ours; any other is a fault of the drive's own. */
const FAULTS: ReadonlyMap<number, FaultCode> = new Map([
  [0x8130, FAULT_CODES.deadMan],
  [0x8311, FAULT_CODES.overTorque],
  [0xff13, FAULT_CODES.safeTorqueOff],
]);

/** Who is told what the drive sends by itself. */
export interface NodeListener {
  sync(): void;
  counts(counts: RollingCounts): void;
  /** Something is wrong: no torque may be asked for any more. */
  trouble(): void;
}

/** A drive on its bus while the link is open: its state, its emergencies, its power. */
export class Cia402Node {
  readonly sdo: SdoClient;
  /** Power was asked for and is not yet confirmed to be off. */
  isOn = false;
  /** Counts stops: what was begun before one does nothing after it. */
  stops = 0;
  private readonly emergencies = new EmergencyQueue();
  private readonly heartbeat = new HeartbeatWatch();
  private hasStarted = false;
  /** A quick stop was asked for, so that losing its torque is no trouble. */
  private isStopping = false;
  private status = { word: 0, at: Number.NEGATIVE_INFINITY };
  private limited = 0;
  private lost: StallmarkError | undefined;

  constructor(
    private readonly description: Cia402Description & { readonly name: string },
    readonly bus: CanBus,
    private readonly clock: Clock,
    private readonly listener: NodeListener,
  ) {
    const { node } = description;
    this.sdo = new SdoClient(bus, node, clock);
    bus.on(COB.sync, () => {
      listener.sync();
    });
    bus.on(COB.tpdo1(node), (data) => {
      this.hearReport(data);
    });
    bus.on(COB.emergency(node), (data) => {
      this.hearEmergency(data);
    });
    bus.on(COB.heartbeat(node), (data) => {
      this.hearHeartbeat(data);
    });
    bus.onFailure(() => {
      listener.trouble();
    });
  }

  get failure(): StallmarkError | undefined {
    return this.lost ?? this.bus.failure;
  }

  /** Ends the link with the first thing that went wrong, which is thrown by every call from now on. */
  lose(failure: StallmarkError): void {
    this.lost ??= failure;
    this.listener.trouble();
  }

  /** @throws What went wrong on the way, link/silent without a heartbeat. */
  check(): void {
    if (this.failure !== undefined) throw this.failure;
    if (!this.hasStarted) return;
    const age = this.heartbeat.age(this.clock.monotonic());
    if (age <= HEARTBEAT_SILENCE) return;
    const silence = this.silent(`no heartbeat for ${Math.round(age)} ms`);
    this.lose(silence);
    throw silence;
  }

  get state(): DriveState | undefined {
    return stateOf(this.status.word);
  }

  get isEnabled(): boolean {
    return this.state === 'operation enabled';
  }

  /** Age of what is known of the state, ms. */
  get age(): number {
    return this.clock.monotonic() - this.status.at;
  }

  get fault(): FaultCode {
    const { first } = this.emergencies;
    if (first !== undefined) return FAULTS.get(first.code) ?? FAULT_CODES.internal;
    const isFault = this.state === 'fault' || this.state === 'fault reaction active';
    return isFault ? FAULT_CODES.internal : FAULT_CODES.none;
  }

  get complaint(): string {
    const limited = `an internal limit of the drive was active in ${this.limited} of its reports`;
    const told = [this.emergencies.text, this.limited > 0 ? limited : ''];
    return told.filter((text) => text !== '').join('; ');
  }

  /** Forgets what went before power: a new start. */
  forget(): void {
    this.emergencies.clear();
    this.limited = 0;
  }

  /** Sends RPDO1 without a set point: a controlword that is latched with the next SYNC. */
  control(word: number): void {
    this.bus.send(COB.rpdo1(this.description.node), rpdo(word, NOTHING));
  }

  /** Sends set points of a drive that stays enabled. */
  target(points: readonly SetPoint[]): void {
    const word = CONTROLWORDS['enable operation'];
    this.bus.sendAll(
      COB.rpdo1(this.description.node),
      points.map((point) => rpdo(word, point)),
    );
  }

  feed(): void {
    this.bus.send(COB.heartbeat(this.description.hostNode), ALIVE);
  }

  manage(command: 'pre-operational' | 'start'): void {
    this.hasStarted = false;
    this.bus.send(COB.nmt, nodeCommand(command, this.description.node));
  }

  /** Waits until the node says by its heartbeat that it is operational. */
  async untilOperational(): Promise<void> {
    const end = this.clock.monotonic() + STATE_DEADLINE;
    for (let i = 0; i < MOST_LOOKS && this.clock.monotonic() < end; i++) {
      this.check();
      if (this.heartbeat.state === 'operational') {
        this.hasStarted = true;
        return;
      }
      await this.clock.wait(LOOK);
    }
    throw this.silent(`no heartbeat that says operational within ${STATE_DEADLINE} ms`);
  }

  /** Asks for the state. */
  async look(): Promise<DriveState | undefined> {
    this.hearStatus(await readNumber(this.sdo, OBJECTS.statusword));
    return this.state;
  }

  /**
   * Brings the drive to a state, one command after the other.
   *
   * @throws link/refused when it is not there within `STATE_DEADLINE`, or a stop came first.
   */
  async bring(goal: DriveGoal): Promise<void> {
    const { stops } = this;
    const end = this.clock.monotonic() + STATE_DEADLINE;
    let before: DriveState | undefined;
    for (let i = 0; i < MOST_LOOKS; i++) {
      const state = await this.look();
      this.refuseOvertaken(stops);
      if (state === goal) return;
      const isFault = goal === 'operation enabled' && this.fault !== FAULT_CODES.none;
      if (isFault || this.clock.monotonic() > end) break;
      if (state === before) await this.clock.wait(LOOK);
      this.refuseOvertaken(stops);
      before = state;
      if (goal === 'operation enabled') this.check(); // no power once something is wrong
      await this.command(state, goal);
    }
    const said = this.complaint === '' ? '' : ` It says: ${this.complaint}.`;
    const what = `The drive at the link "${this.description.name}" is "${this.state ?? 'in no known state'}" and did not come to "${goal}" within ${STATE_DEADLINE} ms.${said}`;
    throw problem('link/refused', what, 'Clear what keeps the drive, then start the run again.');
  }

  /** Waits until the target that the drive holds is zero. */
  async untilZero(): Promise<void> {
    const { stops } = this;
    const end = this.clock.monotonic() + OFF_DEADLINE;
    for (let i = 0; i < MOST_LOOKS; i++) {
      const target = await readNumber(this.sdo, OBJECTS.target);
      if (target === 0) return;
      this.refuseOvertaken(stops);
      if (this.clock.monotonic() > end) break;
      await this.clock.wait(LOOK);
    }
    const what = `The drive at the link "${this.description.name}" still has a target ${OFF_DEADLINE} ms after it was set to 0 ‰.`;
    throw problem('link/read-back', what, 'Make the bench safe, then look at the drive.');
  }

  /** Lets the drive bring its torque to zero; ends when it has, or its time is over. */
  async quickStop(): Promise<void> {
    this.isStopping = true;
    this.feed();
    this.control(CONTROLWORDS['quick stop']);
    await this.untilStopped();
    this.isStopping = false;
  }

  private async untilStopped(): Promise<void> {
    const { stops } = this;
    const end = this.clock.monotonic() + QUICK_STOP;
    let fed = this.clock.monotonic();
    for (let i = 0; i < MOST_LOOKS; i++) {
      await this.clock.wait(LOOK);
      const now = this.clock.monotonic();
      if (now >= end || stops !== this.stops || this.failure !== undefined) return;
      // Told by TPDO1, which a drive in quick stop goes on with; asked for it could not be in time.
      if (this.fault !== FAULT_CODES.none || this.state === 'switch on disabled') return;
      if (now - fed < RAMP_FEED) continue;
      this.feed();
      fed = now;
    }
  }

  /**
   * Disables voltage and reads back that it is off.
   *
   * @throws link/silent, link/closed when nobody answers, link/read-back when power stays.
   */
  async powerOff(): Promise<void> {
    this.control(CONTROLWORDS['disable voltage']); // at once, whatever becomes of the questions
    await this.sdo.download(OBJECTS.controlword.key, numberBytes(0, 'u16'));
    const end = this.clock.monotonic() + OFF_DEADLINE;
    for (let i = 0; i < MOST_LOOKS; i++) {
      if (!mayCarryTorque(await this.look())) {
        this.isOn = false;
        return;
      }
      if (this.clock.monotonic() > end) break;
      await this.clock.wait(LOOK);
    }
    const what = `The drive at the link "${this.description.name}" is "${this.state ?? 'in no known state'}" ${OFF_DEADLINE} ms after its voltage was disabled.`;
    throw problem('link/read-back', what, 'Press the emergency stop, then look at the drive.');
  }

  /** A drive that lost its power and did not say why is asked. */
  async askForFault(): Promise<void> {
    const isKnown = (): boolean => this.emergencies.first !== undefined;
    if (!this.isOn || this.isEnabled || isKnown()) return;
    const code = await readNumber(this.sdo, OBJECTS.errorCode);
    // The emergency may have come meanwhile.
    if (code !== 0 && !isKnown()) this.emergencies.push({ code, register: 0 });
  }

  silent(how: string): StallmarkError {
    const what = `The drive at the link "${this.description.name}" is silent: ${how}.`;
    return problem('link/silent', what, 'Check the CAN cable and the power of the drive.');
  }

  /** Gives a drive up that plays and sends no SYNC. */
  refuseSilence(ms: number): never {
    const failure = this.silent(`no SYNC for ${Math.round(ms)} ms`);
    this.lose(failure);
    throw failure;
  }

  refuseOvertaken(stops: number): void {
    if (stops === this.stops) return;
    const what = `The link "${this.description.name}" was stopped meanwhile.`;
    throw problem('link/refused', what, 'Acknowledge the warnings again, then start the run.');
  }

  private async command(state: DriveState | undefined, goal: DriveGoal): Promise<void> {
    const command = state === undefined ? undefined : nextCommand(state, goal);
    if (command === undefined) return;
    const words = command === 'fault reset' ? [0, CONTROLWORDS[command]] : [CONTROLWORDS[command]];
    for (const word of words) {
      await this.sdo.download(OBJECTS.controlword.key, numberBytes(word, 'u16'));
    }
  }

  private hearStatus(word: number): void {
    this.status = { word, at: this.clock.monotonic() };
  }

  private hearReport(data: Uint8Array): void {
    if (data.length !== 8) return;
    const view = new DataView(data.buffer, data.byteOffset, data.length);
    const word = view.getUint16(0, true);
    const isEnabled = stateOf(word) === 'operation enabled';
    const hasLost = this.isEnabled && !isEnabled && !this.isStopping;
    this.hearStatus(word);
    if ((word & INTERNAL_LIMIT) !== 0 && isEnabled) this.limited += 1;
    this.listener.counts({ latched: view.getUint16(4, true), missing: view.getUint16(6, true) });
    if (hasLost) this.listener.trouble();
  }

  private hearEmergency(data: Uint8Array): void {
    const emergency = emergencyOf(data);
    if (emergency === undefined || emergency.code === 0) return;
    this.emergencies.push(emergency);
    this.listener.trouble();
  }

  private hearHeartbeat(data: Uint8Array): void {
    const state = this.heartbeat.hear(data, this.clock.monotonic());
    if (!this.hasStarted || state === undefined || state === 'operational') return;
    const what = `The drive at the link "${this.description.name}" says that it is ${state}: it started anew or was stopped by somebody else.`;
    const fix = 'Find who else is on the bus, or what interrupts its power.';
    this.lose(problem('link/closed', what, fix));
  }
}

function rpdo(word: number, { target, number }: SetPoint): Uint8Array {
  const data = new Uint8Array(6);
  data.set(numberBytes(word, 'u16'), 0);
  data.set(numberBytes(target, 'i16'), 2);
  data.set(numberBytes(number, 'u16'), 4);
  return data;
}
