import { hertz, celsius, volt } from '../../src/base/units.js';
import type {
  Block,
  Channel,
  DeviceReport,
  Environment,
  Identity,
  Interlocks,
} from '../../src/bench/bench.js';
import { problem } from '../../src/bench/refusal.js';
import type { EmulatedStand, EmulatedTake, SetPoints } from '../../src/emulator/stand.js';
import type { Port, PortListener } from '../../src/link/port.js';
import type { Waveform } from '../../src/pattern/waveform.js';
import type { Settings } from '../../src/procedure/procedure.js';

/** A take whose samples a test makes: sample n of channel k is n + k / 8, unless `value` says otherwise. */
export class HandTake implements EmulatedTake {
  available = 0;
  isOver = false;
  opened: number | undefined;
  reads: (readonly [from: number, count: number])[] = [];
  private readers: (() => void)[] = [];

  constructor(
    private readonly stand: HandStand,
    readonly samples: number,
    public isWaiting: boolean,
  ) {}

  make(count: number): void {
    this.isWaiting = false;
    this.available = Math.min(this.samples, this.available + count);
    if (this.available === this.samples) this.isOver = true;
    this.wake();
  }

  end(): void {
    this.isOver = true;
    this.wake();
  }

  async read(from: number, count: number): Promise<Block | undefined> {
    this.reads.push([from, count]);
    while (!this.isOver && this.available < from + count) {
      await new Promise<void>((resolve) => this.readers.push(resolve));
    }
    const there = Math.min(count, this.available - from);
    if (there <= 0) return undefined;
    const { channels, value } = this.stand;
    const columns = channels.map((channel, k): [Channel, Float32Array] => [
      channel,
      Float32Array.from({ length: there }, (_, i) => value(from + i, k)),
    ]);
    return { start: from, samples: Object.fromEntries(columns), device: this.stand.report() };
  }

  private wake(): void {
    const { readers } = this;
    this.readers = [];
    for (const reader of readers) reader();
  }
}

/** A stand without physics: it writes down what it is told, and does what a test sets. */
export class HandStand implements EmulatedStand {
  readonly calls: string[] = [];
  channels: readonly Channel[] = ['command', 'current', 'torque', 'supply', 'winding'];
  rate = hertz(20_000);
  readonly mostTorque = 20;
  readonly mostUpdates = hertz(10_000);
  readonly deadMan = [0.01, 0.1] as const;
  isEnergized = false;
  isPlaying = false;
  isHung = false;
  ceiling = 0;
  /** Thrown by the next call that may refuse. */
  refusal: Error | undefined;
  take: HandTake | undefined;
  loaded: { readonly waveform: Waveform; readonly settings: Settings } | undefined;
  value = (n: number, k: number): number => n + k / 8;
  told: Required<DeviceReport> = {
    updates: 0,
    missing: 0,
    linkLost: 0,
    gap: 0,
    jitter: 0,
    duty: 0,
    time: 0,
    fault: 0,
    torqueEnabled: false,
  };
  item: Identity = {
    model: 'H12',
    serial: 'H12-26-00001',
    firmware: '4.1',
    firmwareDigest: 'ab12',
  };
  around: Environment = { ambient: celsius(22.5), humidity: 0.45, supply: volt(48.25) };
  /** Ends `load`, `arrange` and `rampOut`; absent: they end at once. */
  gate: Promise<void> | undefined;

  identity(): Identity {
    return this.item;
  }
  environment(): Environment {
    return this.around;
  }
  lines(): Interlocks {
    return { guard: 'closed', emergencyStop: 'released', presence: 'held', age: 0 };
  }
  limit(ceiling: number, deadMan: number): { ceiling: number; deadMan: number } {
    this.may(`limit ${ceiling} ${deadMan}`);
    const [least, most] = this.deadMan;
    this.ceiling = Math.min(ceiling, this.mostTorque);
    return { ceiling: this.ceiling, deadMan: Math.min(most, Math.max(least, deadMan)) };
  }
  energize(): void {
    this.may('energize');
    this.isEnergized = true;
  }
  async load(waveform: Waveform, settings: Settings): Promise<void> {
    this.may('load');
    const peak = waveform.command.reduce((most, level) => Math.max(most, Math.abs(level)), 0);
    if (peak > this.ceiling) {
      throw problem('bench/ceiling', `${peak} N·m is above ${this.ceiling} N·m.`, 'Lower it.');
    }
    await this.gate;
    this.loaded = { waveform, settings };
  }
  stream(): Promise<SetPoints> {
    throw new Error('not streamed');
  }
  start(): void {
    this.may('start');
    this.isPlaying = true;
  }
  feed(): void {
    this.calls.push('feed');
  }
  finish(): void {
    this.calls.push('finish');
    this.isPlaying = false;
  }
  async rampOut(): Promise<void> {
    this.may('rampOut');
    await this.gate;
    this.isPlaying = false;
    this.isEnergized = false;
  }
  off(reason: string): void {
    this.calls.push(`off ${reason}`);
    this.isPlaying = false;
    this.isEnergized = false;
  }
  report(): Required<DeviceReport> {
    return this.told;
  }
  async arrange(settings: Settings): Promise<void> {
    this.may(`arrange ${settings.fixture} ${settings.angle ?? 0}`);
    await this.gate;
  }
  arm(samples: number, on: 'trigger' | 'now'): EmulatedTake {
    this.may(`arm ${samples} ${on}`);
    this.take = new HandTake(this, samples, on === 'trigger');
    return this.take;
  }
  onChange(): () => void {
    return () => undefined;
  }

  private may(call: string): void {
    this.calls.push(call);
    const { refusal } = this;
    this.refusal = undefined;
    if (refusal !== undefined) throw refusal;
  }
}

/** A port whose other end is a test. */
export class HandPort implements Port {
  readonly name = 'tcp hand:5025';
  readonly tellsEnd = true;
  isClosed = false;
  /** Waited for by every write; a test that sets it holds replies back. */
  hold: Promise<void> | undefined;
  private listener: PortListener | undefined;
  private pieces: Buffer[] = [];

  async write(bytes: Uint8Array): Promise<void> {
    await this.hold;
    this.pieces.push(Buffer.from(bytes));
  }
  listen(listener: PortListener): void {
    this.listener = listener;
  }
  close(): Promise<void> {
    this.isClosed = true;
    return Promise.resolve();
  }
  /** What the other end says. */
  say(bytes: string | Uint8Array): void {
    this.listener?.bytes(Uint8Array.from(Buffer.from(bytes as string)));
  }
  hangUp(reason = 'end of file'): void {
    this.listener?.closed(reason);
  }
  /** What came back since it was asked for last, after what is under way has settled. */
  async heard(): Promise<string> {
    return (await this.heardBytes()).toString('latin1');
  }
  async heardBytes(): Promise<Buffer> {
    await settled();
    const { pieces } = this;
    this.pieces = [];
    return Buffer.concat(pieces);
  }
  async ask(message: string): Promise<string> {
    this.say(`${message}\n`);
    return this.heard();
  }
}

/** Lets everything run that waits for no clock. */
export async function settled(): Promise<void> {
  for (let turn = 0; turn < 5; turn += 1) await new Promise((resolve) => setImmediate(resolve));
}
