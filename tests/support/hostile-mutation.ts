import { crc32 } from 'node:zlib';
import { HEADER_BYTES } from '../../src/link/wire-frame.js';

export type Bytes = Uint8Array;
type Random = () => number;

/** A whole number of `from` … `to`. */
export function between(random: Random, from: number, to: number): number {
  return from + Math.floor(random() * (to - from + 1));
}

export function oneOf<T>(random: Random, all: readonly [T, ...T[]]): T {
  return all[Math.floor(random() * all.length)] ?? all[0];
}

/** What numbers in text are replaced by. */
const NUMBERS = [
  ...['9.91E37', '9.9E37', '-9.9E37', '1e999', '-1e999', 'NaN', 'INF', '-0', '0', '1e-320', ''],
  ...['99999999999999999999', '4294967296', '-1', '65536', '2147483648', '1,5', '1e308', '0x7f'],
] as const;
/** What takes the place of a member of JSON. */
const VALUES: readonly [unknown, ...unknown[]] = [
  ...([null, true, false, -1, 0, 1e308, -1e308, 5e-324, 2 ** 53, 2 ** 40, 1.5, ''] as const),
  ...['x'.repeat(2000), '\u0000\u202e', '__proto__', [], {}, [[[]]], new Array(3000).fill(0)],
  JSON.parse('['.repeat(500) + ']'.repeat(500)),
];

function copied(bytes: Bytes): Bytes {
  return Uint8Array.from(bytes);
}

function joined(...parts: readonly Bytes[]): Bytes {
  return Uint8Array.from(Buffer.concat(parts));
}

type Act = (bytes: Bytes, random: Random, donors: readonly Bytes[]) => Bytes;

const flip: Act = (bytes, random) => {
  const made = copied(bytes);
  for (let i = between(random, 1, 3); i > 0; i--) {
    const at = between(random, 0, made.length - 1);
    made[at] = (made[at] ?? 0) ^ (1 << between(random, 0, 7));
  }
  return made;
};

const insert: Act = (bytes, random) => {
  const at = between(random, 0, bytes.length);
  const count = random() < 0.02 ? 5000 : between(random, 1, 8);
  const same = random() < 0.5 ? between(random, 0, 255) : undefined;
  const added = Uint8Array.from({ length: count }, () => same ?? between(random, 0, 255));
  return joined(bytes.subarray(0, at), added, bytes.subarray(at));
};

function rangeOf(bytes: Bytes, random: Random): readonly [number, number] {
  const from = between(random, 0, bytes.length - 1);
  return [from, Math.min(bytes.length, from + between(random, 1, 1 + (bytes.length >> 2)))];
}

const remove: Act = (bytes, random) => {
  const [from, to] = rangeOf(bytes, random);
  return joined(bytes.subarray(0, from), bytes.subarray(to));
};

const truncate: Act = (bytes, random) =>
  copied(bytes.subarray(0, between(random, 0, bytes.length - 1)));

const double: Act = (bytes, random) => {
  const [from, to] = rangeOf(bytes, random);
  return joined(bytes.subarray(0, to), bytes.subarray(from));
};

const reorder: Act = (bytes, random) => {
  const cut = between(random, 0, bytes.length);
  const [from, to] = [cut, between(random, cut, bytes.length)];
  return joined(bytes.subarray(from, to), bytes.subarray(0, from), bytes.subarray(to));
};

const splice: Act = (bytes, random, donors) => {
  const donor = donors[between(random, 0, Math.max(0, donors.length - 1))] ?? bytes;
  const head = bytes.subarray(0, between(random, 0, bytes.length));
  return joined(head, donor.subarray(between(random, 0, donor.length)));
};

const extreme: Act = (bytes, random) => {
  const made = copied(bytes);
  const size = oneOf(random, [1, 2, 4, 8]);
  const at = between(random, 0, Math.max(0, made.length - size));
  const patterns = [0x00, 0xff, 0x7f, 0x80, 0x30, 0x39, 0x46] as const;
  const view = new DataView(new ArrayBuffer(8));
  if (size === 8) view.setFloat64(0, oneOf(random, [NaN, Infinity, -1, 1e308, 2 ** 53]), true);
  else if (size === 4 && random() < 0.5)
    view.setUint32(
      0,
      oneOf(random, [0x7fc00000, 0x7f800000, 0xffffffff, 4 * 2 ** 20, 4 * 2 ** 20 + 1]),
      true,
    );
  else new Uint8Array(view.buffer).fill(oneOf(random, patterns));
  made.set(new Uint8Array(view.buffer, 0, Math.min(size, made.length)), at);
  return made;
};

/** Another number in place of one of a text, at an extreme. */
const renumber: Act = (bytes, random) => {
  const text = Buffer.from(bytes).toString('latin1');
  const all = [...text.matchAll(/[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?/gu)];
  const found = all[between(random, 0, Math.max(0, all.length - 1))];
  if (found === undefined) return flip(bytes, random, []);
  const number = NUMBERS[between(random, 0, NUMBERS.length - 1)] ?? '';
  const made = text.slice(0, found.index) + number + text.slice(found.index + found[0].length);
  return Uint8Array.from(Buffer.from(made, 'latin1'));
};

const ACTS = [flip, insert, remove, truncate, double, reorder, splice, extreme, renumber] as const;

/** Changes bytes in one of nine ways; may leave nothing of them. */
export function mutated(bytes: Bytes, random: Random, donors: readonly Bytes[] = []): Bytes {
  return bytes.length === 0
    ? insert(bytes, random, donors)
    : oneOf(random, ACTS)(bytes, random, donors);
}

/** Changes what a frame of stallmark-link says, and seals it again: its sum is right, its words are not. */
export function resealed(frame: Bytes, random: Random): Bytes {
  const payload = frame.subarray(HEADER_BYTES);
  const changed =
    frame[1] === 1 && random() < 0.8 ? otherJson(payload, random) : mutated(payload, random);
  const made = joined(frame.subarray(0, HEADER_BYTES), changed);
  const header = new DataView(made.buffer);
  if (random() < 0.05) header.setUint8(1, between(random, 1, 3));
  header.setUint32(8, changed.length, true);
  const sum = crc32(made.subarray(0, 12));
  header.setUint32(12, changed.length === 0 ? sum : crc32(changed, sum), true);
  return made;
}

function otherJson(payload: Bytes, random: Random): Bytes {
  const message = JSON.parse(Buffer.from(payload).toString()) as Record<string, unknown>;
  let within = message;
  let names = Object.keys(within);
  // Goes at most three deep.
  for (let depth = 0; depth < 3; depth++) {
    const inner = names
      .map((name) => within[name])
      .filter((one) => typeof one === 'object' && one !== null);
    const one = inner[between(random, 0, inner.length)];
    if (one === undefined) break;
    within = one as Record<string, unknown>;
    names = Object.keys(within);
  }
  const name = names[between(random, 0, Math.max(0, names.length - 1))] ?? 'more';
  if (random() < 0.3) Reflect.deleteProperty(within, name);
  else within[name] = oneOf(random, VALUES);
  return Uint8Array.from(Buffer.from(JSON.stringify(message)));
}

/** Cuts bytes into pieces: one, a few or single bytes. */
export function pieces(bytes: Bytes, random: Random): readonly Bytes[] {
  const kind = random();
  if (kind < 0.5 || bytes.length < 2) return [bytes];
  const most = kind < 0.6 && bytes.length < 64 ? 1 : Math.max(1, bytes.length >> 1);
  const found: Bytes[] = [];
  for (let at = 0; at < bytes.length;) {
    const to = at + between(random, 1, most);
    found.push(copied(bytes.subarray(at, to)));
    at = to;
  }
  return found;
}

/** Changes some of the frames of one direction of a conversation. */
export class Mangler {
  /** Frames that were changed, dropped, doubled or moved. */
  count = 0;
  private readonly donors: Bytes[] = [];
  private held: Bytes | undefined;
  private seen = 0;
  private readonly share: number;
  private readonly only: number | undefined;

  /**
   * @param frames - In the conversation as it should be; one of them is changed in half of the cases.
   * @param special - Changes frames in a way of their own, in a third of the cases.
   */
  constructor(
    private readonly random: Random,
    frames: number,
    private readonly special?: (frame: Bytes, random: Random) => Bytes,
  ) {
    this.only = random() < 0.5 ? between(random, 0, Math.max(0, frames - 1)) : undefined;
    this.share = oneOf(random, [0.03, 0.1, 0.3]);
  }

  /** What arrives in place of a frame. */
  pass(frame: Bytes): readonly Bytes[] {
    const { random, donors, held } = this;
    const isChosen = this.only === undefined ? random() < this.share : this.seen === this.only;
    this.seen += 1;
    this.held = undefined;
    const made = isChosen ? this.changed(frame) : frame;
    donors.push(frame);
    if (donors.length > 12) donors.shift();
    const all = held === undefined ? [made] : [made, held];
    return all.flatMap((one) => pieces(one, random)).filter(({ length }) => length > 0);
  }

  private changed(frame: Bytes): Bytes {
    const { random, donors, special } = this;
    this.count += 1;
    const kind = random();
    if (kind < 0.05) return new Uint8Array(0);
    if (kind < 0.1) return joined(frame, frame);
    if (kind < 0.15) {
      this.held = frame;
      return new Uint8Array(0);
    }
    if (kind < 0.2) return donors[between(random, 0, Math.max(0, donors.length - 1))] ?? frame;
    if (special !== undefined && kind < 0.55) return special(frame, random);
    return mutated(frame, random, donors);
  }
}
