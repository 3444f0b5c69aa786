import type { Duplex } from 'node:stream';
import type { Port, PortListener } from '../../src/link/port.js';

/** One RPDO1 as the drive got it. */
export interface HeardUpdate {
  readonly control: number;
  readonly target: number;
  readonly number: number;
}

/**
 * A small servo drive behind a serial gateway, written from the standards and not from our client: it
 * sends SYNC when a test says so, latches what it heard before, and keeps a record of all it was told.
 */
export class ScriptedDrive {
  /** By `index << 8 | subindex`; sizes as in the standards. */
  readonly numbers = new Map<number, { size: 1 | 2 | 4; value: number }>();
  readonly texts = new Map<number, string>();
  readonly updates: HeardUpdate[] = [];
  readonly latched: number[] = [];
  readonly written: { readonly key: number; readonly value: number }[] = [];
  readonly lines: string[] = [];
  feeds = 0;
  state = 0x40;
  isOperational = false;
  /** Lets an answer go its way, or not. */
  onAnswer: (answer: number[], key: number) => number[] | undefined = (answer) => answer;
  /** Changes a value before it is kept. */
  onWrite: (key: number, value: number) => number = (_key, value) => value;
  /** Bits that are in every statusword. */
  extraStatus = 0x0210;
  private send: (bytes: Uint8Array) => void = () => undefined;
  private line = '';
  private isOpen = false;
  /** Set points that are kept for their update, by its number; 0: only the last one is. */
  buffer = 0;
  private pending: HeardUpdate | undefined;
  private readonly kept = new Map<number, HeardUpdate>();
  private due = 0;
  private syncs = 0;
  private counts = { latched: 0, missing: 0, isCounting: false };
  private segments: { left: number[]; toggle: number } | undefined;

  constructor(
    readonly node = 5,
    readonly hostNode = 100,
  ) {
    const words: readonly (readonly [number, 1 | 2 | 4, number])[] = [
      [0x1000_00, 4, 0x0002_0192],
      [0x1001_00, 1, 0],
      [0x1005_00, 4, 0x80],
      [0x1006_00, 4, 0],
      [0x1016_01, 4, 0],
      [0x1017_00, 2, 0],
      [0x1018_00, 1, 4],
      [0x1018_01, 4, 0x1234],
      [0x1018_02, 4, 1],
      [0x1018_03, 4, 2],
      [0x1018_04, 4, 77],
      [0x6007_00, 2, 1],
      [0x603f_00, 2, 0],
      [0x6040_00, 2, 0],
      [0x6060_00, 1, 0],
      [0x6061_00, 1, 0],
      [0x6071_00, 2, 0],
      [0x6072_00, 2, 1000],
      [0x6076_00, 4, 10_000],
      [0x6087_00, 4, 0],
      [0x2101_00, 1, 0],
      [0x2120_01, 4, 1500],
      [0x2120_02, 4, 25],
      [0x2120_03, 2, 420],
      [0x2120_05, 4, 0],
      ...[0x1400, 0x1800].flatMap((index): (readonly [number, 1 | 4, number])[] => [
        [(index << 8) | 1, 4, 0],
        [(index << 8) | 2, 1, 0],
      ]),
      ...[0x1600, 0x1a00].flatMap((index): (readonly [number, 1 | 4, number])[] => [
        [index << 8, 1, 0],
        ...[1, 2, 3, 4].map((sub): [number, 4, number] => [(index << 8) | sub, 4, 0]),
      ]),
    ];
    for (const [key, size, value] of words) this.numbers.set(key, { size, value });
    const digest = 'ab'.repeat(32);
    this.texts.set(0x1008_00, 'SIMULATED scripted drive');
    this.texts.set(0x1009_00, 'C');
    this.texts.set(0x100a_00, '4.1');
    this.texts.set(0x2102_00, 'H12');
    this.texts.set(0x2103_00, 'H12-26-00007');
    this.texts.set(0x2105_00, digest);
  }

  /** Connects what the drive says. */
  connect(send: (bytes: Uint8Array) => void): void {
    this.send = send;
  }

  /** What the host says, in any pieces. */
  receive(bytes: Uint8Array): void {
    for (const char of Buffer.from(bytes).toString('latin1')) {
      if (char !== '\r') this.line += char;
      else {
        const { line } = this;
        this.line = '';
        this.lines.push(line);
        this.hear(line);
      }
    }
  }

  /** One SYNC: latches what was heard since the one before; a report after each tenth. */
  sync(): void {
    const { counts } = this;
    if (!counts.isCounting) this.due = 0;
    const pending = this.buffer === 0 ? this.pending : this.kept.get(this.due);
    this.pending = undefined;
    this.kept.delete(this.due);
    this.due = (this.due + 1) & 0xffff;
    if (pending !== undefined) {
      this.control(pending.control);
      const isPlaying = this.isEnabled && (pending.control & 0x100) === 0;
      if (!isPlaying) counts.isCounting = false;
      else if (pending.number === 0 && !counts.isCounting) {
        this.counts = { latched: 0, missing: 0, isCounting: true };
      }
      this.set(0x6071_00, pending.target);
      if (this.isEnabled) this.latched.push(pending.target);
      this.counts.latched += 1;
    } else if (counts.isCounting) counts.missing += 1;
    this.syncs += 1;
    this.frame(0x080, []);
    if (this.syncs % 10 === 0) this.report();
  }

  report(): void {
    if (!this.isOperational) return;
    const { latched, missing } = this.counts;
    const target = this.isEnabled ? this.value(0x6071_00) : 0;
    this.frame(0x180 + this.node, [
      ...bytesOf(this.status, 2),
      ...bytesOf(target, 2),
      ...bytesOf(latched, 2),
      ...bytesOf(missing, 2),
    ]);
  }

  beat(state = this.isOperational ? 0x05 : 0x7f): void {
    this.frame(0x700 + this.node, [state]);
  }

  /** A fault: torque is gone, EMCY and report say so. */
  trip(code: number): void {
    this.state = 0x08;
    this.set(0x603f_00, code);
    this.frame(0x080 + this.node, [...bytesOf(code, 2), 0x21, 0, 0, 0, 0, 0]);
    this.report();
  }

  /** Bytes as they are, also no words of the protocol. */
  raw(text: string): void {
    this.send(Buffer.from(text, 'latin1'));
  }

  frame(id: number, data: readonly number[]): void {
    if (!this.isOpen) return;
    const hex = data.map((byte) => byte.toString(16).padStart(2, '0')).join('');
    this.raw(`t${id.toString(16).padStart(3, '0')}${data.length}${hex}\r`);
  }

  get isEnabled(): boolean {
    return this.state === 0x27;
  }

  get status(): number {
    return this.state | this.extraStatus;
  }

  value(key: number): number {
    return this.numbers.get(key)?.value ?? 0;
  }

  set(key: number, value: number): void {
    const entry = this.numbers.get(key);
    if (entry !== undefined) entry.value = value;
  }

  private hear(line: string): void {
    if (line === 'C' || line === 'O' || /^S\d$/u.test(line)) {
      const isDone = line === 'C' ? this.isOpen : !this.isOpen;
      this.isOpen = line === 'O' || (this.isOpen && line !== 'C');
      this.raw(isDone ? '\r' : '\x07');
      return;
    }
    const [, id = '', data = ''] = /^t([0-9A-F]{3})[0-8]([0-9A-F]*)$/u.exec(line) ?? [];
    this.raw(id === '' || !this.isOpen ? '\x07' : 'z\r');
    if (id !== '' && this.isOpen) this.hearFrame(Number.parseInt(id, 16), Buffer.from(data, 'hex'));
  }

  private hearFrame(id: number, data: Buffer): void {
    if (id === 0x000) {
      this.isOperational = data[0] === 1;
      if (!this.isOperational) this.control(0);
      this.beat();
    } else if (id === 0x600 + this.node) this.hearSdo(data);
    else if (id === 0x700 + this.hostNode) this.feeds += 1;
    else if (id === 0x200 + this.node && this.isOperational) {
      this.pending = {
        control: data.readUInt16LE(0),
        target: data.readInt16LE(2),
        number: data.readUInt16LE(4),
      };
      this.updates.push(this.pending);
      if (this.buffer === 0) return;
      if (this.pending.control !== 0x0f) {
        this.kept.clear();
        this.counts.isCounting = false;
        this.control(this.pending.control);
        this.set(0x6071_00, this.pending.target);
      } else if (this.kept.size < this.buffer) this.kept.set(this.pending.number, this.pending);
    }
  }

  private control(word: number): void {
    if ((word & 0x80) !== 0) {
      if (this.state === 0x08) this.state = 0x40;
    } else if (this.state === 0x08) return;
    else if ((word & 0x02) === 0) this.state = 0x40;
    else if ((word & 0x04) === 0) this.state = this.isEnabled ? 0x07 : 0x40;
    else if ((word & 0x0f) === 0x06 && this.state !== 0x07) this.state = 0x21;
    else if ((word & 0x0f) === 0x07 && this.state === 0x21) this.state = 0x23;
    else if ((word & 0x0f) === 0x0f && this.state === 0x23) this.state = 0x27;
  }

  private hearSdo(request: Buffer): void {
    const head = request[0] ?? 0;
    const key = request.readUInt16LE(1) * 256 + (request[3] ?? 0);
    const answer = this.sdoAnswer(head, key, request);
    const sent = answer === undefined ? undefined : this.onAnswer(answer, key);
    if (sent !== undefined) this.frame(0x580 + this.node, sent);
  }

  private sdoAnswer(head: number, key: number, request: Buffer): number[] | undefined {
    const named = [key >> 8, key >> 16, key].map((part) => part & 0xff);
    if (head === 0x80) return undefined;
    if (head >> 5 === 3) return this.segment();
    const text = this.texts.get(key);
    if (head === 0x40 && text !== undefined) {
      this.segments = { left: [...Buffer.from(text, 'latin1')], toggle: 0 };
      return [0x41, ...named, ...bytesOf(text.length, 4)];
    }
    const live = new Map([
      [0x6041_00, this.status],
      [0x2120_07, this.counts.latched & 0xffff],
      [0x2120_08, this.counts.missing & 0xffff],
    ]).get(key);
    const entry = live === undefined ? this.numbers.get(key) : { size: 2, value: live };
    if (entry === undefined) return [0x80, ...named, ...bytesOf(0x0602_0000, 4)];
    if (head === 0x40) {
      const value = bytesOf(entry.value, entry.size);
      const unused = 4 - entry.size;
      return [0x43 | (unused << 2), ...named, ...value, ...bytesOf(0, unused)];
    }
    if (4 - ((head >> 2) & 3) !== entry.size) {
      return [0x80, ...named, ...bytesOf(0x0607_0010, 4)];
    }
    const value = request.readUIntLE(4, entry.size);
    this.written.push({ key, value });
    this.set(key, this.onWrite(key, value));
    if (key === 0x6040_00) this.control(value);
    if (key === 0x6060_00) this.set(0x6061_00, value);
    return [0x60, ...named, 0, 0, 0, 0];
  }

  private segment(): number[] | undefined {
    const { segments } = this;
    if (segments === undefined) return undefined;
    const part = segments.left.splice(0, 7);
    const isLast = segments.left.length === 0 ? 1 : 0;
    const head = (segments.toggle << 4) | ((7 - part.length) << 1) | isLast;
    segments.toggle ^= 1;
    return [head, ...part, ...bytesOf(0, 7 - part.length)];
  }
}

export function bytesOf(value: number, size: number): number[] {
  return Array.from({ length: size }, (_, i) => Math.floor((value >>> 0) / 2 ** (8 * i)) & 0xff);
}

/** A port in this process to a drive that is scripted; each direction takes a turn of the microtasks. */
export function memoryPort(drive: Pick<ScriptedDrive, 'connect' | 'receive'>): Port & {
  readonly hangUp: () => void;
} {
  let listener: PortListener | undefined;
  let isClosed = false;
  const early: Uint8Array[] = [];
  drive.connect((bytes) => {
    if (isClosed) return;
    if (listener === undefined) early.push(bytes);
    else listener.bytes(bytes);
  });
  const end = (reason: string): void => {
    if (isClosed) return;
    isClosed = true;
    listener?.closed(reason);
  };
  return {
    name: 'memory',
    tellsEnd: true,
    write: (bytes) =>
      Promise.resolve().then(() => {
        if (!isClosed) drive.receive(bytes);
      }),
    listen: (given) => {
      listener = given;
      for (const bytes of early.splice(0)) given.bytes(bytes);
    },
    close: () => {
      end('closed here');
      return Promise.resolve();
    },
    hangUp: () => {
      end('it was unplugged');
    },
  };
}

/** A port over anything that is a stream of bytes. */
export function streamPort(stream: Duplex, name: string): Port {
  let listener: PortListener | undefined;
  stream.on('data', (chunk: Buffer) => listener?.bytes(chunk));
  stream.on('close', () => listener?.closed('end of stream'));
  stream.on('error', () => undefined); // "close" follows
  return {
    name,
    tellsEnd: true,
    write: (bytes) =>
      new Promise((resolve) => {
        stream.write(bytes, () => {
          resolve();
        });
      }),
    listen: (given) => {
      listener = given;
    },
    close: () =>
      new Promise((resolve) => {
        if (stream.destroyed) {
          resolve();
          return;
        }
        stream.once('close', () => {
          resolve();
        });
        stream.destroy();
      }),
  };
}

/** Lets a drive live at a port by a clock of its own: SYNC each 2 ms, heartbeat each 20 ms. @returns Ends it. */
export function liveAt(drive: ScriptedDrive, port: Port): () => Promise<void> {
  let isOver = false;
  drive.connect((bytes) => {
    if (!isOver) port.write(bytes).catch(end);
  });
  let ticks = 0;
  const timer = setInterval(() => {
    drive.sync();
    ticks += 1;
    if (ticks % 10 === 0) drive.beat();
  }, 2);
  function end(): void {
    isOver = true;
    clearInterval(timer);
  }
  port.listen({
    bytes: (chunk) => {
      drive.receive(chunk);
    },
    closed: end,
  });
  return () => {
    end();
    return port.close();
  };
}
