import type { NonEmpty } from '../base/numbers.js';
import type { Quantity } from '../base/units.js';

/** Where the bytes of a link go. */
export type PortPlace =
  | { readonly kind: 'tcp'; readonly host: string; readonly port: number }
  /** `baud` is told to the device as it is; 8 data bits, no parity, one stop bit. */
  | { readonly kind: 'serial'; readonly path: string; readonly baud: number }
  /** A program that speaks on its standard input and output. */
  | { readonly kind: 'command'; readonly command: NonEmpty<string> };

/** What a link speaks, and to whom. */
export type LinkDescription =
  WireDescription | ScpiDescription | Cia402Description | ModbusDescription;

/** An adapter in any language: the protocol of `procedures/links/README.md`. */
export interface WireDescription {
  readonly protocol: 'wire';
  readonly place: PortPlace;
}

/** An instrument after IEEE 488.2 and SCPI-1999, whose commands are in a file of their own. */
export interface ScpiDescription {
  readonly protocol: 'scpi';
  readonly place: Exclude<PortPlace, { readonly kind: 'command' }>;
  /** The dialect as it was written: mapping of what is wanted to what is sent. */
  readonly dialect: Dialect;
}

/** Words of one family of instruments. A text may hold names in braces, e.g. `SENS:SWE:RATE {rate}`. */
export interface Dialect {
  readonly id: string;
  readonly file: string;
  readonly digest: string;
  readonly role: 'digitizer' | 'drive';
  /** By act: what is sent, in this order. */
  readonly acts: ReadonlyMap<string, NonEmpty<string>>;
  /** By question: what is asked; the reply is a number, text, list or block as the question wants it. */
  readonly questions: ReadonlyMap<string, string>;
  /** What the instrument is, in numbers and words that it cannot be asked for. */
  readonly facts: ReadonlyMap<string, string | number>;
}

/** A servo drive after CiA 301 and CiA 402 behind a serial gateway to its CAN bus. */
export interface Cia402Description {
  readonly protocol: 'cia402';
  readonly place: Exclude<PortPlace, { readonly kind: 'command' }>;
  /** bit/s of the bus. */
  readonly bitRate: number;
  readonly node: number;
  /** Node under which this program gives its heartbeat. */
  readonly hostNode: number;
  /** s between two SYNC of the drive: one update each. */
  readonly sync: Quantity<'s'>;
  /**
   * Set points that the drive keeps for their update, by its number; they are sent so many ahead. 0 where
   * it takes each as it comes: then a computer that is late by one SYNC loses an update.
   */
  readonly buffer: number;
  /** Objects of the maker by what they hold, as `index << 8 | subindex`. */
  readonly objects: ReadonlyMap<string, number>;
}

/** A safety controller that shows its lines; this program only reads them. */
export interface ModbusDescription {
  readonly protocol: 'modbus';
  readonly place: Extract<PortPlace, { readonly kind: 'tcp' }>;
  readonly unit: number;
  /** Input register, counted from 0, that the controller counts up at least every 100 ms. */
  readonly heartbeat: number;
  /** Two discrete inputs each, counted from 0, of which exactly one is on. */
  readonly lines: {
    /** [closed, open] */
    readonly guard: readonly [number, number];
    /** [released, pressed] */
    readonly emergencyStop: readonly [number, number];
    /** Two-hand or hold-to-run device, [held, released]; absent where there is none. */
    readonly presence?: readonly [number, number];
    /** [seated, loose]; absent where nothing tells. */
    readonly coupling?: readonly [number, number];
  };
}

export const ROLES = ['drive', 'digitizer', 'interlock'] as const;
/** What a link does at a bench. */
export type LinkRole = (typeof ROLES)[number];

/** How times of the capture are tied to the command, best first. */
export const TIMING_METHODS = ['command', 'trigger', 'device-clock', 'host'] as const;
/**
 * command: the command as latched is a channel of the capture · trigger: one line starts waveform and
 * capture on one clock · device-clock: device times with a straight line fitted · host: this computer's clock.
 */
export type TimingMethod = (typeof TIMING_METHODS)[number];

/** An input of a digitizer that measures in volts. */
export interface ChannelInput {
  /** Number of the input as the instrument counts. */
  readonly input: number;
  /** Units of the channel per volt, its sign with it. */
  readonly perVolt: number;
  /** In the unit of the channel, at 0 V. */
  readonly at0V: number;
}

/** The links of a bench that is not simulated in this process. */
export interface StationLinks {
  readonly links: ReadonlyMap<string, LinkDescription>;
  /** By role: the name of a link. One link may have several. */
  readonly roles: Readonly<Record<LinkRole, string>>;
  /** By channel of the capture; empty where the digitizer gives values in the units of the channels. */
  readonly channels: ReadonlyMap<string, ChannelInput>;
  readonly timing: {
    readonly method: TimingMethod;
    /** Expanded uncertainty of the alignment, k = 2. */
    readonly uncertainty: Quantity<'s'>;
  };
  /** Most torque that a link without a dead-man of its own may be given. */
  readonly safeTouch: Quantity<'N·m'>;
}
