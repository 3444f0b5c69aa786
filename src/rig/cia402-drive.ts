import type { Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { hertz, newtonMetre, second } from '../base/units.js';
import type { DeviceReport, Identity, Load } from '../bench/bench.js';
import { problem } from '../bench/refusal.js';
import { CanBus } from '../link/can-bus.js';
import { readBackFailure, setNumber, writeNumber } from '../link/canopen.js';
import { CONTROLWORDS, HALTED, torqueOf } from '../link/cia402.js';
import type { Port } from '../link/port.js';
import type { Cia402Description, PortPlace } from '../procedure/links.js';
import { Cia402Node } from './cia402-node.js';
import {
  countersOf,
  DEAD_MAN,
  mostTarget,
  notOpen,
  OBJECTS,
  readCounters,
  readFacts,
  readIdentity,
  refuseLevels,
  refuseOther,
  refuseOtherMode,
  setDeadMan,
  setMode,
  setUp,
  slopeOf,
  syncMicroseconds,
  SYNCS_PER_REPORT,
  unable,
  type DriveFacts,
} from './cia402-setup.js';
import { UpdateStream, type RollingCounts } from './cia402-stream.js';
import type { DriveAbilities, DriveLink, PowerLimits } from './rig.js';

/** ms without SYNC after which a drive that plays is given up. */
const SYNC_SILENCE = 500;
/** ms between two questions for the counters. */
const COUNTERS_EVERY = 100;
/** ms besides two TPDO1 after which a statusword is old. */
const OLD_STATUS = 10;

/**
 * Makes a link to a servo drive behind a serial gateway to its CAN bus, in profile torque mode. The clock
 * of the drive paces the updates: it sends SYNC, and each is answered with the next set point. Whatever
 * goes wrong, no further set point is sent, and the drive is told to disable voltage.
 *
 * Source: CiA 301, CiA 402 / IEC 61800-7-201, from memory.
 */
export function cia402Drive(
  name: string,
  description: Cia402Description,
  open: (place: PortPlace) => Promise<Port>,
  clock: Clock,
): DriveLink {
  return new Cia402Drive(name, description, open, clock);
}

class Cia402Drive implements DriveLink {
  private node: Cia402Node | undefined;
  private facts: DriveFacts | undefined;
  private ceiling = 0; // ‰
  private period = 0; // µs
  private stream: UpdateStream | undefined;
  /** waiting: set point 0 goes with the next SYNC. */
  private playing: 'no' | 'waiting' | 'yes' = 'no';
  private onStart: (() => void) | undefined;
  private lastSync = Number.NEGATIVE_INFINITY;
  private counters = { gap: 0, jitter: 0, duty: 0, time: 0, at: Number.NEGATIVE_INFINITY };
  private isCountedToEnd = false;

  constructor(
    readonly name: string,
    private readonly description: Cia402Description,
    private readonly openPort: (place: PortPlace) => Promise<Port>,
    private readonly clock: Clock,
  ) {}

  async open(): Promise<DriveAbilities> {
    await this.close();
    const { place, bitRate, sync, objects } = this.description;
    countersOf(this.name, this.description);
    const period = syncMicroseconds(this.name, sync);
    const bus = await CanBus.open(await this.openPort(place), bitRate, this.clock);
    const node = this.nodeOn(bus);
    try {
      node.manage('pre-operational');
      const facts = await readFacts(this.name, node.sdo);
      refuseOther(this.name, facts, this.facts);
      await node.bring('switch on disabled');
      await setUp(this.name, node.sdo, this.description);
      node.manage('start');
      await node.untilOperational();
      this.facts = facts;
      this.period = period;
      return {
        simulated: facts.isSimulated,
        deadMan: { from: second(DEAD_MAN.from / 1000), to: second(DEAD_MAN.to / 1000) },
        maximumUpdates: hertz(1e6 / period),
        smoothing: objects.has('smoothing') ? [0, 1, 2, 3, 4, 5] : [0],
        ...{ setsSlew: true, silence: true, closedLoop: false, paced: 'device' },
        ceilingStep: torqueOf(1, facts.rated),
      };
    } catch (error) {
      await this.close();
      throw error;
    }
  }

  async identify(): Promise<Identity> {
    return readIdentity(this.name, this.living().sdo, this.description);
  }

  async limit({ ceiling, deadMan }: PowerLimits): Promise<PowerLimits> {
    const node = this.living();
    const { rated } = this.known();
    const most = mostTarget(this.name, ceiling, rated);
    await node.bring('switch on disabled');
    const held = await writeNumber(node.sdo, OBJECTS.mostTorque, most);
    if (!(held >= 1 && held <= most)) throw readBackFailure(OBJECTS.mostTorque, most, held);
    const ms = await setDeadMan(node.sdo, this.description.hostNode, deadMan);
    await setMode(node.sdo);
    this.ceiling = held;
    return { ceiling: newtonMetre(torqueOf(held, rated)), deadMan: second(ms / 1000) };
  }

  async energize(): Promise<void> {
    const node = this.living();
    if (this.ceiling === 0) throw new Error('power without a ceiling');
    const { stops } = node;
    node.forget();
    this.stream = undefined;
    try {
      await setNumber(node.sdo, OBJECTS.target, 0);
      await refuseOtherMode(node.sdo);
      node.refuseOvertaken(stops);
      node.isOn = true;
      await node.bring('operation enabled');
      node.check();
    } catch (error) {
      this.halt();
      throw error;
    }
  }

  async load({ waveform, settings }: Load): Promise<void> {
    const node = this.living();
    const { rated } = this.known();
    const period = syncMicroseconds(this.name, 1 / waveform.rate);
    refuseLevels(this.name, waveform, torqueOf(this.ceiling, rated));
    const slope = slopeOf(this.name, settings.slew, rated);
    const key = this.description.objects.get('smoothing');
    if (key === undefined && settings.smoothing !== 0) {
      throw unable(this.name, `smooth at setting ${settings.smoothing}`);
    }
    this.playing = 'no';
    this.stream = undefined;
    if (key !== undefined) await setNumber(node.sdo, { key, width: 'u8' }, settings.smoothing);
    await setNumber(node.sdo, OBJECTS.slope, slope);
    if (period !== this.period) await setNumber(node.sdo, OBJECTS.syncPeriod, period);
    this.period = period;
    this.stream = new UpdateStream(
      waveform,
      rated,
      this.ceiling,
      Math.max(1, this.description.buffer),
    );
  }

  async start(): Promise<void> {
    const node = this.living();
    const { stops } = node;
    if (this.stream === undefined || this.stream.isBegun) throw new Error('nothing was loaded');
    if (!node.isEnabled || !node.isOn) {
      const what = `The link "${this.name}" cannot start: its drive is "${node.state ?? 'in no known state'}".`;
      throw problem('link/refused', what, 'Apply power first.');
    }
    const now = this.clock.monotonic();
    const isRunning = now - this.lastSync <= 3e-3 * this.period + OLD_STATUS;
    this.counters = { gap: 0, jitter: 0, duty: 0, time: 0, at: now };
    this.isCountedToEnd = false;
    this.lastSync = now; // from now on it must not stay silent
    if (!isRunning) {
      // A drive that sends SYNC only while it plays begins with set point 0.
      this.begin();
      return;
    }
    const begun = new Promise<true>((resolve) => {
      this.onStart = () => {
        resolve(true);
      };
    });
    this.playing = 'waiting';
    const isBegun = await Promise.race([begun, this.clock.wait(SYNC_SILENCE)]);
    this.onStart = undefined;
    node.check();
    node.refuseOvertaken(stops);
    if (isBegun !== true) node.refuseSilence(SYNC_SILENCE);
  }

  feed(): void {
    // Where something is wrong nothing is fed, so that the dead-man takes the torque away as well.
    if (this.node?.failure === undefined) this.node?.feed();
  }

  async report(): Promise<DeviceReport> {
    const node = this.living();
    const silence = this.clock.monotonic() - this.lastSync;
    if (this.playing === 'yes' && silence > SYNC_SILENCE) node.refuseSilence(silence);
    await losing(node, this.asked(node));
    const { updates, missing } = this.stream?.tally ?? { updates: 0, missing: 0 };
    const { gap, jitter, duty, time } = this.counters;
    const periods = Math.max(0, (this.stream?.syncs ?? 0) - 1);
    return {
      ...{ updates, missing, duty },
      // The drive cannot know which updates were held back on purpose, and counts them as a gap.
      ...(this.stream?.isSilent === true ? {} : { gap, jitter }),
      // SYNC is the clock of the device; without SYNC its counter goes on.
      time: Math.max(time, (periods * this.period) / 1e6),
      fault: node.fault,
      torqueEnabled: node.isEnabled,
    };
  }

  /** Asks for what a report needs. */
  private async asked(node: Cia402Node): Promise<void> {
    const old = 2e-3 * SYNCS_PER_REPORT * this.period + OLD_STATUS;
    if (this.playing !== 'yes' || node.age > old) await node.look();
    await this.readCounters(node);
    await node.askForFault();
    this.living();
  }

  get complaint(): string {
    return this.node?.complaint ?? '';
  }

  async finish(): Promise<void> {
    const node = this.living();
    this.playing = 'no';
    if (!node.isOn || !node.isEnabled) return;
    node.control(HALTED);
    await losing(node, node.untilZero());
  }

  async makeSafe(how: 'ramp' | 'off'): Promise<void> {
    const wasPlaying = this.playing === 'yes';
    this.playing = 'no';
    const { node } = this;
    if (node === undefined) throw notOpen(this.name);
    node.stops += 1;
    this.onStart?.();
    const { failure, bus, sdo } = node;
    if (failure !== undefined && bus.isGone) throw failure;
    sdo.cancel();
    const isMoving = wasPlaying && failure === undefined && node.isEnabled;
    if (how === 'ramp' && isMoving) await node.quickStop();
    await node.powerOff();
  }

  async close(): Promise<void> {
    const { node } = this;
    this.playing = 'no';
    this.node = undefined;
    if (node === undefined) return;
    node.stops += 1;
    this.onStart?.();
    if (node.isOn) node.control(CONTROLWORDS['disable voltage']);
    node.sdo.cancel();
    await node.bus.close();
  }

  private nodeOn(bus: CanBus): Cia402Node {
    const { name } = this;
    this.lastSync = Number.NEGATIVE_INFINITY;
    this.ceiling = 0;
    this.stream = undefined;
    this.node = new Cia402Node({ ...this.description, name }, bus, this.clock, {
      sync: () => {
        this.hearSync();
      },
      counts: (counts) => {
        this.hearCounts(counts);
      },
      trouble: () => {
        this.halt();
      },
    });
    return this.node;
  }

  private hearSync(): void {
    this.lastSync = this.clock.monotonic();
    const { stream } = this;
    if (this.playing === 'no' || stream === undefined) return;
    if (this.playing === 'waiting') {
      this.begin();
      this.onStart?.();
      return;
    }
    stream.count();
    const next = stream.next();
    if (next !== undefined) this.node?.target([next]);
  }

  private begin(): void {
    this.playing = 'yes';
    this.node?.target(this.stream?.begin() ?? []);
  }

  private hearCounts(counts: RollingCounts): void {
    if (this.playing !== 'yes') return;
    const ahead = this.stream?.hear(counts);
    if (ahead === undefined) return;
    const what = `The drive at the link "${this.name}" counts ${ahead} updates more than SYNC arrived here: the waveform is late by as many.`;
    this.node?.lose(problem('link/clock', what, 'Look for what the gateway loses, e.g. bus load.'));
  }

  /** Something is wrong: no set point from now on, and no power. */
  private halt(): void {
    this.playing = 'no';
    const { node } = this;
    if (node?.isOn === true) node.control(CONTROLWORDS['disable voltage']);
    this.onStart?.();
  }

  /** At most every `COUNTERS_EVERY`, and once after the last update. */
  private async readCounters({ sdo }: Cia402Node): Promise<void> {
    const now = this.clock.monotonic();
    const isEnd = this.stream?.isOver === true && !this.isCountedToEnd;
    if (this.stream?.isBegun !== true) return;
    if (!isEnd && now - this.counters.at < COUNTERS_EVERY) return;
    this.isCountedToEnd ||= isEnd;
    const counters = countersOf(this.name, this.description);
    const { latched, missing, ...told } = await readCounters(sdo, counters);
    this.counters = { ...told, at: now };
    this.hearCounts({ latched, missing });
  }

  /** The link, when nothing has gone wrong with it. */
  private living(): Cia402Node {
    if (this.node === undefined) throw notOpen(this.name);
    this.node.check();
    return this.node;
  }

  private known(): DriveFacts {
    if (this.facts === undefined) throw new Error('a drive that was never opened');
    return this.facts;
  }
}

/** With power on, an answer that makes no sense ends the link: no feed and no power from then on. */
async function losing(node: Cia402Node, act: Promise<void>): Promise<void> {
  try {
    await act;
  } catch (error) {
    const isVoid = error instanceof StallmarkError && error.problems[0].code === 'link/garbled';
    if (isVoid) node.lose(error);
    throw error;
  }
}
