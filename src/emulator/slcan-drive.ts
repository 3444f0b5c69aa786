import { systemClock, type Clock } from '../base/clock.js';
import { hertz, torquePerSecond, type Quantity } from '../base/units.js';
import type { Port } from '../link/port.js';
import type { Cia402Description } from '../procedure/links.js';
import type { Settings } from '../procedure/procedure.js';
import { CanGateway, type CanFrame } from './can-gateway.js';
import {
  driveObjects,
  DriveSettings,
  SYNCS,
  TORQUE_MODE,
  torqueOf,
  type DriveView,
} from './drive-objects.js';
import { numberBytes, SdoServer, type ObjectDictionary } from './object-dictionary.js';
import { HALT, PowerSection } from './power-section.js';
import { SetPointBuffer } from './set-point-buffer.js';
import type { EmulatedStand } from './stand.js';

/** ms between two looks whether a heartbeat is due. */
const BEAT = 10;

/**
 * Serves a drive after CiA 301 and CiA 402 (profile torque) behind a serial gateway, over the stand. It
 * produces SYNC while it plays a stream, so its clock paces the updates; set points come ahead of their
 * updates and wait in a buffer. The heartbeat of the host is its dead-man.
 *
 * @param clock - Paces the heartbeat of the drive.
 */
export function serveCia402(
  port: Port,
  description: Cia402Description,
  stand: EmulatedStand,
  clock: Clock = systemClock,
): void {
  const drive = new Cia402(port, description, stand);
  const unwatch = stand.onChange(() => {
    drive.watch();
  });
  let isClosed = false;
  port.listen({
    bytes: (chunk) => {
      drive.take(chunk);
    },
    closed: () => {
      isClosed = true;
      unwatch();
    },
  });
  const beating = async (): Promise<void> => {
    while (!isClosed) {
      drive.beat(clock.monotonic());
      await clock.wait(BEAT);
    }
  };
  void beating();
}

/** The drive on its bus: frames in, frames out. */
class Cia402 {
  private readonly gateway: CanGateway;
  private readonly sdo: SdoServer;
  private readonly node: number;
  private readonly settings = new DriveSettings();
  private readonly power: PowerSection;
  private readonly setPoints: SetPointBuffer;
  private isOperational = false;
  private synced = 0;
  /** ms of the clock at which a heartbeat was due last. */
  private lastBeat = 0;

  constructor(
    port: Port,
    private readonly description: Cia402Description,
    private readonly stand: EmulatedStand,
  ) {
    this.node = description.node;
    this.gateway = new CanGateway(port, (frame) => {
      this.heard(frame);
    });
    this.power = this.powerOf(stand);
    this.setPoints = this.bufferOf(stand);
    this.sdo = new SdoServer(this.objects());
  }

  take(chunk: Uint8Array): void {
    if (!this.isHung()) this.gateway.take(chunk);
  }

  /** Sees what the item did by itself. */
  watch(): void {
    this.power.watch();
  }

  /** Gives the heartbeat of the drive when it is due. @param now - ms of a monotonic clock. */
  beat(now: number): void {
    const { heartbeat } = this.settings;
    if (this.isHung()) return;
    if (heartbeat === 0) this.lastBeat = now;
    const over = now - this.lastBeat - heartbeat;
    if (heartbeat === 0 || over < 0) return;
    this.lastBeat = over < heartbeat ? now - over : now;
    this.gateway.send(0x700 + this.node, [this.isOperational ? 0x05 : 0x7f]);
  }

  /** A device that hangs answers nothing. */
  private isHung(): boolean {
    return 'isHung' in this.stand && this.stand.isHung === true;
  }

  private powerOf(stand: EmulatedStand): PowerSection {
    return new PowerSection({
      stand,
      mayEnable: () => {
        const { mode, heartbeatOfHost, isLimited } = this.settings;
        return mode === TORQUE_MODE && heartbeatOfHost !== 0 && isLimited;
      },
      voided: () => {
        this.setPoints.clear();
      },
      halted: () => {
        this.setPoints.halt();
      },
      emergency: (code) => {
        this.emergency(code);
      },
    });
  }

  private bufferOf(stand: EmulatedStand): SetPointBuffer {
    return new SetPointBuffer({
      stand,
      torqueOf,
      settings: () => this.streaming(),
      updating: (update) => {
        this.update(update);
      },
      failed: () => {
        this.power.trip();
      },
    });
  }

  private objects(): ObjectDictionary {
    const { power, setPoints, node } = this;
    const view: DriveView = {
      node,
      get statusword() {
        return power.statusword;
      },
      get errorCode() {
        return power.errorCode;
      },
      get errors() {
        return power.errors;
      },
      get target() {
        return setPoints.target;
      },
      control: (word) => {
        power.control(word);
      },
      forgetErrors: () => {
        power.forgetErrors();
      },
    };
    return driveObjects(view, this.settings, this.stand, this.description.objects);
  }

  /** How a stream is played, as it was written. @throws quantity/not-finite without a period. */
  private streaming(): { readonly updates: Quantity<'Hz'>; readonly settings: Settings } {
    const { syncPeriod, slope, smoothing } = this.settings;
    const slew = slope === 0 ? {} : { slew: torquePerSecond(torqueOf(slope)) };
    return {
      updates: hertz(1e6 / syncPeriod),
      settings: { smoothing, fixture: 'coupled', ...slew },
    };
  }

  private heard({ id, data }: CanFrame): void {
    const { node, description } = this;
    if (id === 0x000) this.managed(data);
    else if (id === 0x600 + node) {
      const answer = this.sdo.answer(data);
      if (answer !== undefined) this.gateway.send(0x580 + node, answer);
    } else if (id === 0x200 + node) this.told(data);
    else if (id === 0x700 + description.hostNode) this.stand.feed();
  }

  /** NMT: only what is operational takes part in PDO. */
  private managed([command, node]: Uint8Array): void {
    if (node !== 0 && node !== this.node) return;
    if (command === 0x01) this.isOperational = true;
    else if (command === 0x02 || command === 0x80) this.leave();
    else if (command === 0x81 || command === 0x82) {
      this.leave();
      this.gateway.send(0x700 + this.node, [0]);
    }
  }

  private leave(): void {
    this.isOperational = false;
    this.power.takeOff('NMT');
  }

  /** RPDO1: controlword, target torque, number of the update. */
  private told(data: Uint8Array): void {
    if (!this.isOperational || data.length < 6) return;
    const view = new DataView(data.buffer, data.byteOffset, data.length);
    const word = view.getUint16(0, true);
    this.power.control(word);
    if (this.power.state !== 'operation enabled' || (word & HALT) !== 0) return;
    this.setPoints.take(view.getUint16(4, true), view.getInt16(2, true));
  }

  /** One update of the stream: SYNC, and what waits for it is latched. */
  private update(update: number): void {
    if (this.isHung()) return;
    this.gateway.send(0x080, []);
    this.setPoints.latch(update);
    this.synced += 1;
    if (this.synced % SYNCS === 0) this.report();
  }

  /** TPDO1: statusword, torque, updates latched, updates missing. */
  private report(): void {
    if (!this.isOperational) return;
    const { updates, missing } = this.stand.report();
    this.gateway.send(0x180 + this.node, [
      ...numberBytes(this.power.statusword, 2),
      ...numberBytes(this.setPoints.target, 2),
      ...numberBytes(updates & 0xffff, 2),
      ...numberBytes(missing & 0xffff, 2),
    ]);
  }

  private emergency(code: number): void {
    if (this.isHung()) return;
    const register = code === 0 ? 0 : 1;
    this.gateway.send(0x080 + this.node, [...numberBytes(code, 2), register, 0, 0, 0, 0, 0]);
    if (code !== 0) this.report();
  }
}
