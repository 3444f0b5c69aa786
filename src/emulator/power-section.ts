import { StallmarkError, unreachable } from '../base/error.js';
import { FAULT_CODES } from '../bench/drive.js';
import type { EmulatedStand } from './stand.js';

/** States of the power drive system with their statuswords. Source: CiA 402 / IEC 61800-7-201 (from memory). */
const STATUS = {
  'switch on disabled': 0x0040,
  'ready to switch on': 0x0021,
  'switched on': 0x0023,
  'operation enabled': 0x0027,
  'quick stop active': 0x0007,
  fault: 0x0008,
} as const;
export type PowerState = keyof typeof STATUS;

/** Bits that any state has: voltage present, remote. */
const ALWAYS = 0x0210;
/** Bit of the controlword that ends a stream. */
export const HALT = 0x100;
const ENABLE_OPERATION = 0x0f;
/** EMCY by fault. 0xFF13 and 0xFF00 are the maker's. */
const INTERNAL = 0xff00;
const SAFE_TORQUE_OFF = 0xff13;
const EMERGENCY: Readonly<Record<number, number>> = {
  [FAULT_CODES.deadMan]: 0x8130,
  [FAULT_CODES.overTorque]: 0x8311,
  [FAULT_CODES.safeTorqueOff]: SAFE_TORQUE_OFF,
};
/** Errors that are kept. */
const HISTORY = 8;

/** What a power section needs of the rest of its drive, and tells it. */
export interface PowerSurroundings {
  readonly stand: Pick<EmulatedStand, 'energize' | 'isEnergized' | 'off' | 'rampOut' | 'report'>;
  /** Whether mode and dead-man are set, without which there is no torque. */
  mayEnable(): boolean;
  /** Told when nothing that waits is played any more: power goes. */
  voided(): void;
  /** Told when the stream ends, at zero torque. */
  halted(): void;
  /** Told the code of an error, 0 when it was reset. */
  emergency(code: number): void;
}

/**
 * The state machine of a drive's power: what a controlword does, and what the item does by itself. Torque
 * is on and off in the stand alone. Source: CiA 402 / IEC 61800-7-201, state machine (from memory).
 */
export class PowerSection {
  private now: PowerState = 'switch on disabled';
  private code = 0;
  private history: readonly number[] = [];

  constructor(private readonly around: PowerSurroundings) {}

  get state(): PowerState {
    return this.now;
  }

  get statusword(): number {
    return STATUS[this.now] | ALWAYS;
  }

  /** Code of the fault that stands, or 0. */
  get errorCode(): number {
    return this.code;
  }

  /** Codes of the last faults, the newest first. */
  get errors(): readonly number[] {
    return this.history;
  }

  forgetErrors(): void {
    this.history = [];
  }

  /** Takes a controlword. Source: CiA 402, commands of the controlword (from memory). */
  control(word: number): void {
    if ((word & 0x80) !== 0 && this.now === 'fault') {
      this.code = 0;
      this.now = 'switch on disabled';
      this.around.emergency(0);
    } else if ((word & 0x02) === 0) this.takeOff('disable voltage');
    else if ((word & 0x04) === 0) this.quickStop();
    else if ((word & HALT) !== 0 && (word & 0x0f) === ENABLE_OPERATION) this.around.halted();
    else this.advance(word & 0x0f);
  }

  /** Power off; a fault stays until it is reset. */
  takeOff(why: string): void {
    const { stand } = this.around;
    this.around.voided();
    if (stand.isEnergized) stand.off(`${why} on the bus`);
    if (this.now !== 'fault') this.now = 'switch on disabled';
  }

  /** Sees what the item did by itself. */
  watch(): void {
    const { fault } = this.around.stand.report();
    if (this.now !== 'operation enabled' && this.now !== 'quick stop active') return;
    if (fault !== FAULT_CODES.none) this.trip(EMERGENCY[fault] ?? INTERNAL);
  }

  /** A fault; the code is the drive's own when none is given. */
  trip(code = INTERNAL): void {
    this.now = 'fault';
    this.code = code;
    this.history = [code, ...this.history].slice(0, HISTORY);
    this.around.voided();
    this.around.emergency(code);
  }

  private advance(command: number): void {
    const { now } = this;
    switch (now) {
      case 'switch on disabled':
        if (command === 0x06) this.now = 'ready to switch on';
        return;
      case 'ready to switch on':
        if ((command & 0x07) === 0x07) this.now = 'switched on';
        return;
      case 'switched on':
        if (command === ENABLE_OPERATION) this.enable();
        else if (command === 0x06) this.now = 'ready to switch on';
        return;
      case 'operation enabled':
        if (command === ENABLE_OPERATION) return;
        this.takeOff('operation disabled');
        this.now = command === 0x07 ? 'switched on' : 'ready to switch on';
        return;
      case 'quick stop active':
      case 'fault':
        return;
      default:
        return unreachable(now);
    }
  }

  private enable(): void {
    if (!this.around.mayEnable()) return;
    try {
      this.around.stand.energize();
      this.now = 'operation enabled';
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      this.trip(SAFE_TORQUE_OFF);
    }
  }

  private quickStop(): void {
    if (this.now === 'ready to switch on' || this.now === 'switched on') {
      this.now = 'switch on disabled';
    }
    if (this.now !== 'operation enabled') return;
    this.now = 'quick stop active';
    void this.around.stand.rampOut().then(() => {
      if (this.now !== 'quick stop active') return;
      this.around.voided();
      this.now = 'switch on disabled';
    });
  }
}
