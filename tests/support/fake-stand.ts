import { throwIfAny } from '../../src/base/error.js';
import { celsius, hertz, volt, type Quantity } from '../../src/base/units.js';
import type { Block, Environment, Identity, Interlocks } from '../../src/bench/bench.js';
import { FAULT_CODES, type FaultCode } from '../../src/bench/drive.js';
import { SAFE_LINES } from '../../src/bench/incident.js';
import { interlockProblems, problem } from '../../src/bench/refusal.js';
import type { EmulatedStand, EmulatedTake, SetPoints } from '../../src/emulator/stand.js';
import type { Waveform } from '../../src/pattern/waveform.js';
import type { Settings } from '../../src/procedure/procedure.js';

const RATE = 20_000;

/**
 * A stand with an ideal item: the torque is the command, at once. Its time moves only by `advance`, sample by
 * sample, and the dead-man counts in it. The supply channel holds the number of its sample, so that lost or
 * doubled samples show.
 */
export class FakeStand implements EmulatedStand {
  readonly channels = ['command', 'current', 'torque', 'supply', 'winding'] as const;
  readonly rate = hertz(RATE);
  readonly mostTorque = 13.2;
  readonly mostUpdates = hertz(RATE);
  readonly deadMan = [0.01, 0.1] as const;
  /** What was asked of it, in order. */
  readonly acts: string[] = [];
  isEnergized = false;
  isPlaying = false;
  fault: FaultCode = FAULT_CODES.none;
  serial = 'H12-26-04711';
  limits = { ceiling: 0, deadMan: 0.1 };
  waveform: Waveform | undefined;
  settings: Settings | undefined;
  take: FakeTake | undefined;
  private safety: Interlocks = SAFE_LINES;
  private target = 0;
  private stream_: { readonly updates: number; onUpdate(update: number): void } | undefined;
  private position = 0;
  private unfed = 0;
  private time = 0;
  private readonly listeners = new Set<() => void>();

  identity(): Identity {
    return {
      ...{ model: 'H12', serial: this.serial, firmware: '2.4.1', firmwareDigest: 'f'.repeat(64) },
      ...{ revision: 'C3', components: [{ kind: 'motor', serial: 'M-00000001' }] },
    };
  }

  environment(): Environment {
    return { ambient: celsius(23), humidity: 0.4, supply: volt(48), poweredFor: 3600 };
  }

  lines(): Interlocks {
    return this.safety;
  }

  limit(ceiling: number, deadMan: number): { readonly ceiling: number; readonly deadMan: number } {
    this.acts.push(`limit ${ceiling} N·m ${deadMan} s`);
    if (this.isEnergized) throw problem('bench/permit-void', 'Power is on.', 'Switch it off.');
    this.limits = {
      ceiling: Math.min(ceiling, this.mostTorque),
      deadMan: Math.min(this.deadMan[1], Math.max(this.deadMan[0], deadMan)),
    };
    return this.limits;
  }

  energize(): void {
    this.acts.push('energize');
    throwIfAny(interlockProblems(this.safety));
    this.fault = FAULT_CODES.none;
    this.isEnergized = true;
    this.tell();
  }

  load(waveform: Waveform, settings: Settings): Promise<void> {
    this.acts.push(`load ${waveform.command.length}`);
    this.waveform = waveform;
    this.stream_ = undefined;
    this.settings = settings;
    return Promise.resolve();
  }

  stream(
    updates: Quantity<'Hz'>,
    settings: Settings,
    onUpdate: (update: number) => void,
  ): Promise<SetPoints> {
    this.acts.push(`stream ${updates} Hz`);
    this.settings = settings;
    this.waveform = undefined;
    this.stream_ = { updates, onUpdate };
    return Promise.resolve({
      answered: () => undefined,
      set: (torque) => {
        this.target = torque;
      },
    });
  }

  start(): void {
    this.acts.push('start');
    if (!this.isEnergized) throw problem('bench/permit-void', 'Power is off.', 'Energize first.');
    this.isPlaying = true;
    this.position = 0;
    this.unfed = 0;
    this.take?.trigger();
  }

  feed(): void {
    this.acts.push('feed');
    this.unfed = 0;
  }

  finish(): void {
    this.acts.push('finish');
    this.isPlaying = false;
    this.target = 0;
    this.tell();
  }

  rampOut(): Promise<void> {
    this.acts.push('ramp out');
    this.cut();
    return Promise.resolve();
  }

  off(reason: string): void {
    this.acts.push(`off: ${reason}`);
    this.cut();
  }

  report(): ReturnType<EmulatedStand['report']> {
    return {
      ...{ updates: this.position, missing: 0, linkLost: 0, gap: 0.001, jitter: 1e-5 },
      ...{ duty: 0.25, time: this.time, fault: this.fault, torqueEnabled: this.isEnergized },
    };
  }

  arrange(settings: Settings): Promise<void> {
    this.acts.push(`arrange ${settings.fixture} ${settings.angle ?? 0} rad`);
    this.settings = settings;
    return Promise.resolve();
  }

  arm(samples: number, on: 'trigger' | 'now', afterStop?: number): EmulatedTake {
    this.acts.push(`arm ${samples} on ${on}`);
    this.take?.end();
    this.take = new FakeTake(samples, on === 'trigger', afterStop, () => this.report());
    return this.take;
  }

  onChange(listener: () => void): () => void {
    this.listeners.add(listener);
    return () => this.listeners.delete(listener);
  }

  /** Moves the safety lines; anything but safe takes the torque away. */
  move(lines: Partial<Interlocks>): void {
    this.safety = { ...this.safety, ...lines };
    if (interlockProblems(this.safety).length > 0) {
      this.take?.stop();
      if (this.isEnergized) this.trip(FAULT_CODES.safeTorqueOff);
    }
    this.tell();
  }

  trip(fault: FaultCode): void {
    this.fault = fault;
    this.cut();
  }

  /** Lets `ms` of its time pass. */
  advance(ms: number): void {
    for (let i = 0; i < (ms / 1000) * RATE; i++) this.tick();
    this.take?.settle();
  }

  private tick(): void {
    this.time += 1 / RATE;
    if (this.isPlaying) {
      this.unfed += 1 / RATE;
      if (this.unfed > this.limits.deadMan) this.trip(FAULT_CODES.deadMan);
    }
    const torque = this.isPlaying ? this.torqueNow() : 0;
    this.take?.add(torque);
    this.position += this.isPlaying ? 1 : 0;
  }

  private torqueNow(): number {
    const { waveform, stream_ } = this;
    const updates = waveform?.rate ?? stream_?.updates ?? 1;
    const update = Math.floor((this.position / RATE) * updates);
    if (stream_ !== undefined) {
      if (this.position % Math.round(RATE / updates) === 0) stream_.onUpdate(update);
      return this.target;
    }
    if (waveform !== undefined && update >= waveform.command.length) this.finish();
    return waveform?.command[update] ?? 0;
  }

  private cut(): void {
    this.isPlaying = false;
    this.isEnergized = false;
    this.target = 0;
    this.tell();
  }

  private tell(): void {
    for (const listener of this.listeners) listener();
  }
}

class FakeTake implements EmulatedTake {
  private readonly torque: number[] = [];
  private readonly waiting: { readonly until: number; readonly wake: () => void }[] = [];
  private most: number;
  private isEnded = false;
  opened: number | undefined;

  constructor(
    samples: number,
    public isWaiting: boolean,
    private readonly afterStop: number | undefined,
    private readonly report: EmulatedStand['report'],
  ) {
    this.most = samples;
  }

  get available(): number {
    return this.torque.length;
  }

  get isOver(): boolean {
    return this.isEnded || (!this.isWaiting && this.torque.length >= this.most);
  }

  trigger(): void {
    this.isWaiting = false;
  }

  /** A safety line opened. */
  stop(): void {
    if (this.isWaiting || this.isOver || this.opened !== undefined) return;
    this.opened = this.torque.length;
    this.most = Math.min(this.most, this.opened + (this.afterStop ?? 0));
    this.settle();
  }

  add(torque: number): void {
    if (!this.isWaiting && !this.isOver) this.torque.push(torque);
  }

  /** Wakes whoever can read now. */
  settle(): void {
    for (const one of this.waiting.splice(0)) {
      if (this.isOver || this.torque.length >= one.until) one.wake();
      else this.waiting.push(one);
    }
  }

  async read(from: number, count: number): Promise<Block | undefined> {
    if (!this.isOver && this.torque.length < from + count) {
      await new Promise<void>((wake) => this.waiting.push({ until: from + count, wake }));
    }
    if (this.isEnded || from >= this.torque.length) return undefined;
    const torque = Float32Array.from(this.torque.slice(from, from + count));
    return {
      start: from,
      samples: {
        ...{ command: torque, torque, current: torque.map((one) => one / 0.5) },
        supply: torque.map((_, i) => from + i),
        winding: torque.map(() => 25),
      },
      device: this.report(),
      ...(this.opened === undefined ? {} : { opened: this.opened }),
    };
  }

  end(): void {
    this.isEnded = true;
    this.settle();
  }
}
