import { StallmarkError, unreachable } from '../base/error.js';
import { hertz, torquePerSecond } from '../base/units.js';
import { FAULT_CODES } from '../bench/drive.js';
import type { Port } from '../link/port.js';
import type { Cia402Description } from '../procedure/links.js';
import { CanGateway, type CanFrame } from './can-gateway.js';
import {
  ABORT,
  numberBytes,
  SdoServer,
  type Abort,
  type ObjectEntry,
} from './object-dictionary.js';
import type { EmulatedStand, SetPoints } from './stand.js';

/** States of the power drive system with their statuswords. Source: CiA 402 / IEC 61800-7-201 (from memory). */
const STATUS = {
  'switch on disabled': 0x0040,
  'ready to switch on': 0x0021,
  'switched on': 0x0023,
  'operation enabled': 0x0027,
  'quick stop active': 0x0007,
  fault: 0x0008,
} as const;
type State = keyof typeof STATUS;

/** Bits that any state has: voltage present, remote. */
const ALWAYS = 0x0210;
/** mN·m: rated torque, of which targets are per mille. */
const RATED = 10_000;
const RATED_CURRENT = 20_000; // mA
/** Bit of the controlword that ends a stream. */
const HALT = 0x100;
/** Set points that may wait for their update. */
const BUFFER = 128;
/** Number of an update that is none. */
const NO_UPDATE = 0xffff;
/** SYNC between two TPDO1. */
const SYNCS = 10;
/** EMCY by fault. 0xFF13 is the maker's. */
const EMERGENCY: Readonly<Record<number, number>> = {
  [FAULT_CODES.deadMan]: 0x8130,
  [FAULT_CODES.overTorque]: 0x8311,
  [FAULT_CODES.safeTorqueOff]: 0xff13,
  [FAULT_CODES.internal]: 0xff00,
};

/**
 * Serves a drive after CiA 301 and CiA 402 (profile torque) behind a serial gateway, over the stand. It
 * produces SYNC while it plays a stream, so its clock paces the updates; set points come ahead of their
 * updates and wait in a buffer. The heartbeat of the host is its dead-man.
 */
export function serveCia402(
  port: Port,
  description: Cia402Description,
  stand: EmulatedStand,
): void {
  const drive = new Cia402(port, description, stand);
  port.listen({
    bytes: (chunk) => {
      drive.take(chunk);
    },
    closed: () => {
      drive.end();
    },
  });
}

class Cia402 {
  private readonly gateway: CanGateway;
  private readonly sdo: SdoServer;
  private readonly node: number;
  private readonly ends: (() => void)[] = [];
  private state: State = 'switch on disabled';
  private isOperational = false;
  private emergency = 0;
  private errors: number[] = [];
  private mode = 0;
  private mostTorque = RATED;
  private slope = 0;
  private smoothing = 0;
  private abortOption = 0;
  private heartbeatOfHost = 0;
  private heartbeat = 0;
  private syncCob = 0x80;
  private syncPeriod = 0;
  private readonly mapped = new Map<number, number>();
  private readonly waiting = new Map<number, number>();
  private setPoints: SetPoints | undefined;
  private isPreparing = false;
  private synced = 0;
  /** Number of the update that comes next. */
  private next = 0;
  private target = 0;

  constructor(
    port: Port,
    private readonly description: Cia402Description,
    private readonly stand: EmulatedStand,
  ) {
    this.node = description.node;
    this.gateway = new CanGateway(port, (frame) => {
      this.heard(frame);
    });
    this.sdo = new SdoServer(this.dictionary());
    this.ends.push(
      stand.onChange(() => {
        this.watch();
      }),
    );
    const beat = setInterval(() => {
      this.beat();
    }, 10);
    this.ends.push(() => {
      clearInterval(beat);
    });
  }

  take(chunk: Uint8Array): void {
    if (!this.isHung()) this.gateway.take(chunk);
  }

  end(): void {
    for (const end of this.ends) end();
  }

  /** A device that hangs answers nothing. */
  private isHung(): boolean {
    return 'isHung' in this.stand && this.stand.isHung === true;
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
    this.takeOff('NMT');
  }

  /** RPDO1: controlword, target torque, number of the update. */
  private told(data: Uint8Array): void {
    if (!this.isOperational || data.length < 6) return;
    const view = new DataView(data.buffer, data.byteOffset, data.length);
    this.control(view.getUint16(0, true));
    const [target, update] = [view.getInt16(2, true), view.getUint16(4, true)];
    if (this.state !== 'operation enabled') return;
    if (update === 0 && !this.stand.isPlaying && !this.isPreparing) {
      this.waiting.clear();
      this.next = 0;
      void this.begin();
    }
    const isLate = ((update - this.next) & 0xffff) >= 0x8000;
    if (update === NO_UPDATE || isLate || this.waiting.size >= BUFFER) return;
    this.waiting.set(update, target);
    this.setPoints?.answered();
  }

  private async begin(): Promise<void> {
    this.isPreparing = true;
    const rate = hertz(1e6 / this.syncPeriod);
    const slew = this.slope === 0 ? {} : { slew: torquePerSecond((this.slope * RATED) / 1e6) };
    const settings = { smoothing: this.smoothing, fixture: 'coupled', ...slew } as const;
    try {
      this.setPoints = await this.stand.stream(rate, settings, (update) => {
        this.update(update);
      });
      this.stand.start();
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      this.trip(0xff00);
    } finally {
      this.isPreparing = false;
    }
  }

  /** One update of the stream: SYNC, and what waits for it is latched. */
  private update(update: number): void {
    if (this.isHung()) return;
    this.gateway.send(0x080, []);
    const number = update & 0xffff;
    const target = this.waiting.get(number);
    this.waiting.delete(number);
    this.next = (number + 1) & 0xffff;
    // Set points come in order: when a later one waits, the next was held back or is lost.
    if (this.waiting.size > 0) this.setPoints?.answered();
    if (target !== undefined) {
      this.target = target;
      this.setPoints?.set((target * RATED) / 1e6);
    }
    this.synced += 1;
    if (this.synced % SYNCS === 0) this.report();
  }

  /** TPDO1: statusword, torque, updates latched, updates missing. */
  private report(): void {
    if (!this.isOperational) return;
    const { updates, missing } = this.stand.report();
    this.gateway.send(0x180 + this.node, [
      ...numberBytes(this.status(), 2),
      ...numberBytes(this.target, 2),
      ...numberBytes(updates & 0xffff, 2),
      ...numberBytes(missing & 0xffff, 2),
    ]);
  }

  private status(): number {
    return STATUS[this.state] | ALWAYS;
  }

  /** Takes a controlword. Source: CiA 402, commands of the controlword (from memory). */
  private control(word: number): void {
    if ((word & 0x80) !== 0 && this.state === 'fault') {
      this.emergency = 0;
      this.state = 'switch on disabled';
      this.gateway.send(0x080 + this.node, [0, 0, 0, 0, 0, 0, 0, 0]);
    } else if ((word & 0x02) === 0) this.takeOff('disable voltage');
    else if ((word & 0x04) === 0) this.quickStop();
    else if ((word & HALT) !== 0) this.halt();
    else this.advance(word & 0x0f);
  }

  /** Ends the stream: back to zero torque, where no heartbeat is needed. */
  private halt(): void {
    this.waiting.clear();
    this.target = 0;
    if (this.stand.isPlaying) this.stand.finish();
  }

  private advance(command: number): void {
    const { state } = this;
    switch (state) {
      case 'switch on disabled':
        if (command === 0x06) this.state = 'ready to switch on';
        return;
      case 'ready to switch on':
        if ((command & 0x07) === 0x07) this.state = 'switched on';
        return;
      case 'switched on':
        if (command === 0x0f) this.enable();
        else if (command === 0x06) this.state = 'ready to switch on';
        return;
      case 'operation enabled':
        if (command === 0x0f) return;
        this.takeOff('operation disabled');
        this.state = command === 0x07 ? 'switched on' : 'ready to switch on';
        return;
      case 'quick stop active':
      case 'fault':
        return;
      default:
        return unreachable(state);
    }
  }

  private enable(): void {
    if (this.mode !== 4 || this.heartbeatOfHost === 0) return;
    try {
      this.stand.energize();
      this.state = 'operation enabled';
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      this.trip(EMERGENCY[FAULT_CODES.safeTorqueOff] ?? 0xff00);
    }
  }

  private quickStop(): void {
    if (this.state !== 'operation enabled') return;
    this.state = 'quick stop active';
    void this.stand.rampOut().then(() => {
      if (this.state === 'quick stop active') this.state = 'switch on disabled';
    });
  }

  private takeOff(why: string): void {
    this.waiting.clear();
    if (this.stand.isEnergized) this.stand.off(`${why} on the bus`);
    if (this.state !== 'fault') this.state = 'switch on disabled';
  }

  /** Sees what the item did by itself. */
  private watch(): void {
    const { fault } = this.stand.report();
    if (this.state !== 'operation enabled' && this.state !== 'quick stop active') return;
    if (fault !== 0) this.trip(EMERGENCY[fault] ?? 0xff00);
  }

  private trip(code: number): void {
    this.state = 'fault';
    this.emergency = code;
    this.errors = [code, ...this.errors].slice(0, 8);
    this.waiting.clear();
    if (this.isHung()) return;
    this.gateway.send(0x080 + this.node, [...numberBytes(code, 2), 0x01, 0, 0, 0, 0, 0]);
    this.report();
  }

  private beat(): void {
    if (this.isHung()) return;
    const isDue = this.heartbeat > 0 && ++this.beats * 10 >= this.heartbeat;
    if (!isDue) return;
    this.beats = 0;
    this.gateway.send(0x700 + this.node, [this.isOperational ? 0x05 : 0x7f]);
  }

  private beats = 0;

  /** Limits of the stand follow what was written; both are read back from there. */
  private limit(): void {
    const [least, most] = this.stand.deadMan;
    const seconds = Math.min(most, Math.max(least, (this.heartbeatOfHost & 0xffff) / 1000));
    const held = this.stand.limit((this.mostTorque * RATED) / 1e6, seconds);
    this.mostTorque = Math.floor((held.ceiling * 1e6) / RATED + 1e-9);
    if (this.heartbeatOfHost !== 0) {
      const ms = Math.floor(1000 * held.deadMan + 1e-9);
      this.heartbeatOfHost = (this.heartbeatOfHost & ~0xffff) | ms;
    }
  }

  private dictionary(): ReadonlyMap<number, ObjectEntry> {
    return new Map([
      ...this.communication(),
      ...this.profile(),
      ...this.makers(),
      ...this.counters(),
    ]);
  }

  private communication(): readonly (readonly [number, ObjectEntry])[] {
    const text = (read: () => string): ObjectEntry => ({ read });
    return [
      [0x1000_00, { size: 4, read: () => 0x0002_0192 }],
      [0x1001_00, { size: 1, read: () => (this.state === 'fault' ? 1 : 0) }],
      [
        0x1003_00,
        { size: 1, read: () => this.errors.length, write: (value) => this.forget(value) },
      ],
      ...Array.from({ length: 8 }, (_, i): [number, ObjectEntry] => [
        0x1003_01 + i,
        { size: 4, read: () => this.errors[i] ?? 0 },
      ]),
      [
        0x1005_00,
        kept(
          4,
          () => this.syncCob,
          (value) => {
            this.syncCob = value;
          },
        ),
      ],
      [
        0x1006_00,
        number(
          4,
          () => this.syncPeriod,
          (value) => this.setPeriod(value),
        ),
      ],
      [0x1008_00, text(() => `SIMULATED ${this.stand.identity().model}`)],
      [0x1009_00, text(() => this.stand.identity().revision ?? '')],
      [0x100a_00, text(() => this.stand.identity().firmware)],
      [0x1016_00, { size: 1, read: () => 1 }],
      [
        0x1016_01,
        number(
          4,
          () => this.heartbeatOfHost,
          (value) => this.setHeartbeat(value),
        ),
      ],
      [
        0x1017_00,
        kept(
          2,
          () => this.heartbeat,
          (value) => {
            this.heartbeat = value;
          },
        ),
      ],
      [0x1018_00, { size: 1, read: () => 4 }],
      ...[1, 2, 3, 4].map((sub): [number, ObjectEntry] => [
        0x1018_00 + sub,
        { size: 4, read: () => 0x5100 + sub },
      ]),
      ...this.mappings(),
    ];
  }

  /** Communication and mapping of RPDO1 and TPDO1: what is written is read back. */
  private mappings(): readonly (readonly [number, ObjectEntry])[] {
    const sizes: readonly (readonly [number, 1 | 2 | 4, number])[] = [
      ...[0x1400, 0x1800].flatMap((index) => [
        [(index << 8) | 0, 1, 5] as const,
        [(index << 8) | 1, 4, index === 0x1400 ? 0x200 + this.node : 0x180 + this.node] as const,
        [(index << 8) | 2, 1, index === 0x1400 ? 1 : SYNCS] as const,
      ]),
      ...[0x1600, 0x1a00].flatMap((index) => [
        [(index << 8) | 0, 1, 0] as const,
        ...[1, 2, 3, 4].map((sub) => [(index << 8) | sub, 4, 0] as const),
      ]),
    ];
    return sizes.map(([key, size, initial]) => [
      key,
      kept(
        size,
        () => this.mapped.get(key) ?? initial,
        (value) => {
          this.mapped.set(key, value);
        },
      ),
    ]);
  }

  private profile(): readonly (readonly [number, ObjectEntry])[] {
    return [
      [
        0x6007_00,
        kept(
          2,
          () => this.abortOption,
          (value) => {
            this.abortOption = value;
          },
        ),
      ],
      [0x603f_00, { size: 2, read: () => this.emergency }],
      [
        0x6040_00,
        kept(
          2,
          () => 0,
          (value) => {
            this.control(value);
          },
        ),
      ],
      [0x6041_00, { size: 2, read: () => this.status() }],
      [
        0x6060_00,
        number(
          1,
          () => this.mode,
          (value) => this.setMode(value),
        ),
      ],
      [0x6061_00, { size: 1, read: () => this.mode }],
      [
        0x6071_00,
        number(
          2,
          () => this.target,
          (value) => this.setTarget(value),
        ),
      ],
      [
        0x6072_00,
        number(
          2,
          () => this.mostTorque,
          (value) => this.setMost(value),
        ),
      ],
      [0x6074_00, { size: 2, read: () => this.target }],
      [0x6075_00, { size: 4, read: () => RATED_CURRENT }],
      [0x6076_00, { size: 4, read: () => RATED }],
      [0x6077_00, { size: 2, read: () => this.target }],
      [0x6078_00, { size: 2, read: () => 0 }],
      [0x6079_00, { size: 4, read: () => Math.round(1000 * this.stand.environment().supply) }],
      [
        0x6087_00,
        kept(
          4,
          () => this.slope,
          (value) => {
            this.slope = value;
          },
        ),
      ],
    ];
  }

  private makers(): readonly (readonly [number, ObjectEntry])[] {
    const { objects } = this.description;
    const identity = (): ReturnType<EmulatedStand['identity']> => this.stand.identity();
    const components = identity().components ?? [];
    const at = (name: string, otherwise: number): number => objects.get(name) ?? otherwise;
    return [
      [
        at('smoothing', 0x2101_00),
        number(
          1,
          () => this.smoothing,
          (value) => this.setSmoothing(value),
        ),
      ],
      [at('model', 0x2102_00), { read: () => identity().model }],
      [at('serial', 0x2103_00), { read: () => identity().serial }],
      [at('firmware', 0x2104_00), { read: () => identity().firmware }],
      [at('firmware-digest', 0x2105_00), { read: () => identity().firmwareDigest }],
      [at('revision', 0x2106_00), { read: () => identity().revision ?? '' }],
      [at('parameters-digest', 0x2107_00), { read: () => identity().parametersDigest ?? '' }],
      [at('components', 0x2108_00), { size: 1, read: () => components.length }],
      ...components.map((one, i): [number, ObjectEntry] => [
        at('components', 0x2108_00) + 1 + i,
        { read: () => `${one.kind} ${one.serial}` },
      ]),
    ];
  }

  private counters(): readonly (readonly [number, ObjectEntry])[] {
    const base = this.description.objects.get('counters') ?? 0x2120_00;
    const told = (): ReturnType<EmulatedStand['report']> => this.stand.report();
    return [
      [base, { size: 4, read: () => told().missing }],
      [base + 1, { size: 4, read: () => Math.round(1e6 * told().gap) }],
      [base + 2, { size: 4, read: () => Math.round(1e6 * told().jitter) }],
      [base + 3, { size: 2, read: () => Math.round(1000 * told().duty) }],
      [base + 4, { size: 4, read: () => told().updates }],
      [base + 5, { size: 4, read: () => Math.round(1e6 * told().time) }],
      [base + 6, { size: 2, read: () => 0 }],
      [base + 7, { size: 2, read: () => told().updates & 0xffff }],
      [base + 8, { size: 2, read: () => told().missing & 0xffff }],
    ];
  }

  /** Only zero is taken here: torque comes with SYNC, or it does not come. */
  private setTarget(value: number): Abort | undefined {
    if (value !== 0 || this.stand.isPlaying) return ABORT.state;
    this.target = 0;
    return undefined;
  }

  private setPeriod(value: number): Abort | undefined {
    const most = this.stand.mostUpdates;
    if (!(value >= 1e6 / most && value <= 1e6)) return ABORT.range;
    this.syncPeriod = value;
    return undefined;
  }

  private setMode(mode: number): Abort | undefined {
    if (mode !== 4) return ABORT.range;
    this.mode = mode;
    return undefined;
  }

  private setMost(value: number): Abort | undefined {
    if (this.stand.isEnergized) return ABORT.state;
    this.mostTorque = value;
    this.limit();
    return undefined;
  }

  private setHeartbeat(value: number): Abort | undefined {
    if (this.stand.isEnergized) return ABORT.state;
    this.heartbeatOfHost = value;
    this.limit();
    return undefined;
  }

  private setSmoothing(value: number): Abort | undefined {
    if (value > 5) return ABORT.range;
    this.smoothing = value;
    return undefined;
  }

  private forget(value: number): Abort | undefined {
    if (value !== 0) return ABORT.range;
    this.errors = [];
    return undefined;
  }
}

/** A number that can be written as well as read. */
function number(
  size: 1 | 2 | 4,
  read: () => number,
  write: (value: number) => Abort | undefined,
): ObjectEntry {
  return { size, read, write };
}

/** A number that is taken as it is written. */
function kept(size: 1 | 2 | 4, read: () => number, write: (value: number) => void): ObjectEntry {
  return number(size, read, (value) => {
    write(value);
    return undefined;
  });
}
