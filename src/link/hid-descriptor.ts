import { unreachable } from '../base/error.js';
import { garbled, hex, type Item, itemAt } from './hid-item.js';

/** Bytes of the longest descriptor that is read, bits of the longest report, fields of all reports. */
const MOST_BYTES = 65_535;
const MOST_BITS = 32_768;
const MOST_FIELDS = 4096;
/** Collections and saved states in one another, and usages or ranges of one item, at most. */
const MOST_DEPTH = 32;
const MOST_SAVED = 16;
const MOST_USAGES = 1024;

export type ReportKind = 'input' | 'output' | 'feature';

/** A usage with its page: `page << 16 | usage`, never negative. */
export type Usage = number;

/** Usages that follow each other. */
export interface UsageRange {
  readonly first: Usage;
  readonly count: number;
}

/** First and last value. */
export interface Span {
  readonly minimum: number;
  readonly maximum: number;
}

/** Where one value of a report lies and what it means. */
export interface ReportField {
  readonly kind: ReportKind;
  /** 0 where the descriptor numbers no reports. */
  readonly reportId: number;
  /** Collections around it, outermost first. */
  readonly path: readonly Usage[];
  /** Of a variable; of an array the first of `choices`, or 0. */
  readonly usagePage: number;
  readonly usage: number;
  /** Of an array: usages that a value chooses from; the first has the least logical value. */
  readonly choices?: readonly UsageRange[];
  readonly isConstant: boolean;
  /** Bits from the first bit of the report after the byte of its id. */
  readonly offset: number;
  /** Bits, 1 … 32. */
  readonly size: number;
  readonly logical: Span;
  /** As the logical span where none is given. In `unit` · 10^`exponent`. */
  readonly physical: Span;
  /** Nibbles of HID 1.11, 6.2.2.7; 0 for none. */
  readonly unit: number;
  readonly exponent: number;
}

/** What a descriptor says of the reports of a device. */
export interface HidDescriptor {
  /** Whether each report begins with the byte of its id. */
  readonly hasIds: boolean;
  readonly fields: readonly ReportField[];
  /** Bits of each report without the byte of its id, by `reportKey`. */
  readonly bits: ReadonlyMap<string, number>;
}

/** Returns the key of a report, e.g. `output 5`. */
export function reportKey(kind: ReportKind, id: number): string {
  return `${kind} ${id}`;
}

/**
 * Reads a report descriptor: main, global and local items in their short form; long items are skipped.
 * Usages take the page in force at their main item. Where usages are fewer than values the last one
 * counts for the rest. Of alternatives between delimiters the first counts.
 *
 * @param bytes - At most 65535 bytes, 4096 values, 4096 bytes a report.
 * @throws link/garbled with the position of the byte, counted from 0, where it makes no sense.
 *
 * Source: USB Device Class Definition for Human Interface Devices 1.11, 5.4–5.6, 6.2.2 (from memory).
 * Check: tests/checks/hid.check.ts.
 */
export function parseDescriptor(bytes: Uint8Array): HidDescriptor {
  if (bytes.length > MOST_BYTES) {
    throw garbled(MOST_BYTES, `it has ${bytes.length} bytes, at most ${MOST_BYTES} are read`);
  }
  const reader = new Reader();
  let at = 0;
  while (at < bytes.length) {
    const item = itemAt(bytes, at);
    if (item.kind !== 'long') reader.take(item);
    at = item.end;
  }
  return reader.finish(at);
}

/** An end of a span as written: which sign it has depends on the other end. */
type End = Pick<Item, 'signed' | 'unsigned'>;

interface Globals {
  page: number;
  logicalMinimum: End;
  logicalMaximum: End;
  physicalMinimum: End;
  physicalMaximum: End;
  exponent: number;
  unit: number;
  size: number;
  id: number;
  count: number;
}

const NOTHING: End = { signed: 0, unsigned: 0 };

/** Usages as written; `isWhole` when they bring their page along. */
interface WrittenUsages {
  readonly value: number;
  readonly count: number;
  readonly isWhole: boolean;
}

/** Global items that are ends of spans, and those that are numbers, by tag. */
const END_ITEMS = new Map([
  [0x1, 'logicalMinimum'],
  [0x2, 'logicalMaximum'],
  [0x3, 'physicalMinimum'],
  [0x4, 'physicalMaximum'],
] as const);
const NUMBER_ITEMS = new Map([
  [0x6, 'unit'],
  [0x7, 'size'],
  [0x9, 'count'],
] as const);

class Reader {
  private readonly fields: ReportField[] = [];
  private readonly bits = new Map<string, number>();
  private readonly path: Usage[] = [];
  private readonly saved: Globals[] = [];
  private globals: Globals = {
    ...{ page: 0, exponent: 0, unit: 0, size: 0, id: 0, count: 0 },
    ...{ logicalMinimum: NOTHING, logicalMaximum: NOTHING },
    ...{ physicalMinimum: NOTHING, physicalMaximum: NOTHING },
  };
  private usages: WrittenUsages[] = [];
  private rangeFrom: WrittenUsages | undefined;
  private alternatives: 'none' | 'first' | 'others' = 'none';
  private isNumbered: boolean | undefined;

  take(item: Item): void {
    switch (item.kind) {
      case 'main':
        this.takeMain(item);
        return;
      case 'global':
        this.takeGlobal(item);
        return;
      case 'local':
        this.takeLocal(item);
        return;
      case 'long':
        return;
      default:
        unreachable(item.kind);
    }
  }

  finish(at: number): HidDescriptor {
    if (this.path.length > 0) throw garbled(at, `${this.path.length} collections are not ended`);
    if (this.fields.length === 0) throw garbled(at, 'it ends without a single field');
    return { hasIds: this.isNumbered === true, fields: this.fields, bits: this.bits };
  }

  private takeMain(item: Item): void {
    const { tag, at } = item;
    if (this.rangeFrom !== undefined) throw garbled(at, 'a usage minimum has no maximum');
    if (this.alternatives !== 'none') throw garbled(at, 'a delimiter is not closed');
    switch (tag) {
      case 0x8:
        this.addFields('input', item);
        break;
      case 0x9:
        this.addFields('output', item);
        break;
      case 0xb:
        this.addFields('feature', item);
        break;
      case 0xa:
        if (this.path.length === MOST_DEPTH) throw garbled(at, `collection ${MOST_DEPTH + 1} deep`);
        this.path.push(this.usages[0] === undefined ? 0 : this.whole(this.usages[0]).first);
        break;
      case 0xc:
        if (this.path.pop() === undefined) throw garbled(at, 'a collection ends that none began');
        break;
      default:
        throw garbled(at, `main item ${hex(tag)} is reserved`);
    }
    this.usages = [];
  }

  private takeGlobal(item: Item): void {
    const { tag, at, signed, unsigned } = item;
    const end = (END_ITEMS as ReadonlyMap<number, keyof Globals>).get(tag);
    const number = (NUMBER_ITEMS as ReadonlyMap<number, keyof Globals>).get(tag);
    if (end !== undefined) {
      this.globals = { ...this.globals, [end]: { signed, unsigned } };
    } else if (number !== undefined) {
      this.globals = { ...this.globals, [number]: unsigned };
    } else {
      this.takeOtherGlobal(tag, item);
    }
    if (this.globals.page > 0xffff)
      throw garbled(at, `usage page ${hex(unsigned)} has over 16 bits`);
  }

  private takeOtherGlobal(tag: number, item: Item): void {
    const { at, unsigned } = item;
    switch (tag) {
      case 0x0:
        this.globals = { ...this.globals, page: unsigned };
        break;
      case 0x5:
        this.globals = { ...this.globals, exponent: exponentOf(at, item) };
        break;
      case 0x8:
        if (unsigned < 1 || unsigned > 255) {
          throw garbled(at, `report id ${unsigned} is not 1 … 255`);
        }
        this.globals = { ...this.globals, id: unsigned };
        break;
      case 0xa:
        if (this.saved.length === MOST_SAVED) throw garbled(at, `push ${MOST_SAVED + 1} deep`);
        this.saved.push(this.globals);
        break;
      case 0xb: {
        const before = this.saved.pop();
        if (before === undefined) throw garbled(at, 'pop without a push');
        this.globals = before;
        break;
      }
      default:
        throw garbled(at, `global item ${hex(tag)} is reserved`);
    }
  }

  private takeLocal({ tag, at, size, unsigned }: Item): void {
    const usage = { value: unsigned, count: 1, isWhole: size === 4 };
    switch (tag) {
      case 0x0:
        this.addUsages(at, usage);
        break;
      case 0x1:
        if (this.rangeFrom !== undefined) throw garbled(at, 'a usage minimum follows another');
        this.rangeFrom = usage;
        break;
      case 0x2: {
        const from = this.rangeFrom;
        if (from === undefined) throw garbled(at, 'a usage maximum has no minimum');
        this.rangeFrom = undefined;
        const count = usage.value - from.value + 1;
        if (from.isWhole !== usage.isWhole || count < 1) {
          throw garbled(at, `usages ${hex(from.value)} … ${hex(usage.value)} are no range`);
        }
        this.addUsages(at, { ...from, count });
        break;
      }
      case 0xa:
        this.delimit(at, unsigned);
        break;
      default:
        // Strings and designators tell people what a field is; reserved tags tell nothing.
        break;
    }
  }

  private addUsages(at: number, usages: WrittenUsages): void {
    if (this.alternatives === 'others') return;
    if (this.alternatives === 'first') this.alternatives = 'others';
    if (this.usages.length === MOST_USAGES) throw garbled(at, `over ${MOST_USAGES} usages`);
    this.usages.push(usages);
  }

  private delimit(at: number, value: number): void {
    const isOpen = this.alternatives !== 'none';
    if (value > 1 || isOpen === (value === 1)) {
      throw garbled(at, `delimiter ${value} while a set is ${isOpen ? 'open' : 'closed'}`);
    }
    this.alternatives = value === 1 ? 'first' : 'none';
  }

  private whole({ value, count, isWhole }: WrittenUsages): UsageRange {
    return { first: isWhole ? value : this.globals.page * 0x1_0000 + value, count };
  }

  private addFields(kind: ReportKind, item: Item): void {
    const { at, unsigned: flags } = item;
    const { size, count, id, unit, exponent } = this.globals;
    const start = this.place(at, kind);
    const ranges = this.usages.map((usages) => this.whole(usages));
    const [first] = ranges;
    if (first === undefined) return; // padding
    if (size > 32) throw garbled(at, `a value of ${size} bits, at most 32 are read`);
    if (this.fields.length + count > MOST_FIELDS) throw garbled(at, `over ${MOST_FIELDS} values`);
    const common = {
      kind,
      reportId: id,
      path: [...this.path],
      isConstant: (flags & 1) !== 0,
      size,
    };
    const meaning = { ...common, ...this.spans(at), unit, exponent };
    const isVariable = (flags & 2) !== 0;
    const usages = isVariable ? firstUsages(ranges, count) : [];
    for (let i = 0; i < count; i += 1) {
      const usage = usages[i] ?? usages.at(-1) ?? first.first;
      const field = { ...meaning, usagePage: usage >>> 16, usage: usage & 0xffff };
      const offset = start + size * i;
      this.fields.push(isVariable ? { ...field, offset } : { ...field, offset, choices: ranges });
    }
  }

  /** Takes the bits of an item. @returns The first of them. */
  private place(at: number, kind: ReportKind): number {
    const { size, count, id } = this.globals;
    if (this.path.length === 0) throw garbled(at, `an ${kind} field lies in no collection`);
    if (size * count === 0) throw garbled(at, `a field of ${count} times ${size} bits`);
    const key = reportKey(kind, id);
    const start = this.bits.get(key) ?? 0;
    const end = start + size * count;
    if (end > MOST_BITS) throw garbled(at, `${key} has ${end} bits, at most ${MOST_BITS} are read`);
    this.bits.set(key, end);
    const isNumbered = id > 0;
    this.isNumbered ??= isNumbered;
    if (this.isNumbered !== isNumbered) throw garbled(at, 'reports with and without an id');
    return start;
  }

  private spans(at: number): { readonly logical: Span; readonly physical: Span } {
    const { logicalMinimum, logicalMaximum, physicalMinimum, physicalMaximum } = this.globals;
    const logical = spanOf(at, 'logical', logicalMinimum, logicalMaximum);
    const isGiven = physicalMinimum.unsigned !== 0 || physicalMaximum.unsigned !== 0;
    if (!isGiven) return { logical, physical: logical };
    return { logical, physical: spanOf(at, 'physical', physicalMinimum, physicalMaximum) };
  }
}

/** The first usages of ranges, at most so many. */
function firstUsages(ranges: readonly UsageRange[], most: number): readonly Usage[] {
  const usages: Usage[] = [];
  for (const { first, count } of ranges) {
    for (let i = 0; i < count && usages.length < most; i += 1) usages.push(first + i);
  }
  return usages;
}

/** A maximum above a minimum that is not negative counts without a sign: so 0 … 255 fits in two bytes. */
function spanOf(at: number, what: string, low: End, high: End): Span {
  const minimum = low.signed;
  const maximum = minimum >= 0 ? high.unsigned : high.signed;
  if (minimum <= maximum) return { minimum, maximum };
  throw garbled(at, `the ${what} minimum ${minimum} is above the maximum ${maximum}`);
}

/** A nibble with its sign, 0x8 … 0xF for −8 … −1; also a whole byte with its sign, as many devices have. */
function exponentOf(at: number, { signed, unsigned }: End): number {
  const exponent = unsigned > 7 && unsigned < 16 ? unsigned - 16 : signed;
  if (exponent >= -8 && exponent <= 7) return exponent;
  throw garbled(at, `the unit exponent ${exponent} is not −8 … 7`);
}
