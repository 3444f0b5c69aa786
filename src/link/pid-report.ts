import type { NonEmpty } from '../base/numbers.js';
import type { StallmarkError } from '../base/error.js';
import type { HidDescriptor, ReportField, ReportKind, Usage } from './hid-descriptor.js';
import {
  emptyReport,
  fieldName,
  type FieldUnit,
  type HidReport,
  logicalOf,
  putBits,
  readField,
  reportProblem,
  usageOf,
  valueOf,
  writeField,
} from './hid-report.js';
import { type PidName, pidUsage } from './hid-usage.js';

/** The report of a device that a standard report of force feedback is. */
export interface PidPlace {
  readonly descriptor: HidDescriptor;
  readonly name: PidName;
  readonly kind: ReportKind;
  readonly id: number;
  readonly fields: readonly ReportField[];
}

/**
 * Finds a report by the usage of its collection.
 *
 * @throws link/ability when there is none.
 */
export function placeOf(descriptor: HidDescriptor, name: PidName, kind: ReportKind): PidPlace {
  const usage = pidUsage(name);
  const all = descriptor.fields.filter((f) => f.kind === kind && f.path.includes(usage));
  const [first] = all;
  if (first === undefined) throw lacking(`has no ${kind} report ${name} (${hexOf(usage)})`);
  const fields = all.filter(({ reportId }) => reportId === first.reportId);
  return { descriptor, name, kind, id: first.reportId, fields };
}

const hexOf = (usage: Usage): string => `0x${usage.toString(16).padStart(6, '0')}`;

function lacking(finding: string): StallmarkError {
  const what = `The report descriptor ${finding}.`;
  return reportProblem(
    'link/ability',
    what,
    'Use a device with the force feedback that is needed.',
  );
}

function fieldOf({ fields, name }: PidPlace, wanted: PidName): ReportField {
  const usage = pidUsage(wanted);
  const found = fields.find((f) => usageOf(f) === usage && f.choices === undefined);
  if (found !== undefined) return found;
  throw lacking(`has no field ${wanted} (${hexOf(usage)}) in its ${name}`);
}

/** Logical value of an array that chooses a usage, or undefined. */
function choiceOf({ choices = [], logical }: ReportField, usage: Usage): number | undefined {
  let before = 0;
  for (const { first, count } of choices) {
    if (usage >= first && usage < first + count) return logical.minimum + before + usage - first;
    before += count;
  }
  return undefined;
}

/** A report while its values are put in, each where the descriptor has it. */
export class PidDraft {
  readonly report: HidReport;
  private readonly fields: readonly ReportField[];

  /** @param fullTorque - N·m at the greatest level, for levels without a unit. */
  constructor(
    private readonly place: PidPlace,
    private readonly fullTorque: number | undefined,
  ) {
    this.report = emptyReport(place.descriptor, place.kind, place.id);
    this.fields = place.fields.filter(({ isConstant }) => !isConstant);
  }

  /** Puts a whole number as it is. @throws link/ability, as all below */
  number(name: PidName, value: number): this {
    return this.put(this.find(name), value);
  }

  /** Puts a value in a unit, scaled. */
  value(name: PidName, value: number, unit: FieldUnit): this {
    const field = this.find(name);
    return this.put(field, logicalOf(field, value, unit));
  }

  /** Puts a torque, N·m: as such, or as a share of the full torque where the field has no unit. */
  level(name: PidName, torque: number): this {
    const field = this.find(name);
    if (field.unit !== 0) return this.put(field, logicalOf(field, torque, 'N·m'));
    if (this.fullTorque === undefined || !(this.fullTorque > 0)) {
      const what = `The ${fieldName(field)} has no unit, and no torque at its greatest value is known.`;
      throw reportProblem('link/ability', what, 'State the torque at the greatest magnitude.');
    }
    return this.put(field, logicalOf(field, torque / this.fullTorque, '1'));
  }

  /**
   * Puts a duration that ends, s. The greatest value and the one of all ones are refused: devices take
   * them for no end; so is one that becomes 0.
   */
  duration(seconds: number): this {
    const field = this.find('duration');
    const value = Number.isFinite(seconds) ? logicalOf(field, seconds, 's') : NaN;
    const isEndless = value >= field.logical.maximum || value >= 2 ** field.size - 1;
    if (isEndless || !(valueOf(field, value, 's') > 0)) {
      const longest = valueOf(field, field.logical.maximum, 's');
      const what = `A duration of ${seconds} s was asked for; the ${fieldName(field)} holds what is above 0 s and below ${longest} s.`;
      throw reportProblem('link/ability', what, 'Ask for a duration that ends.');
    }
    return this.put(field, value);
  }

  /** Says that no button starts it, where there is a field for it. */
  noTrigger(): this {
    const usage = pidUsage('triggerButton');
    const field = this.fields.find((f) => usageOf(f) === usage);
    if (field === undefined) return this;
    const { logical, size } = field;
    const ones = logical.minimum < 0 ? -1 : 2 ** size - 1;
    const none = [0, ones].find((value) => value < logical.minimum || value > logical.maximum);
    if (none === undefined) {
      const what = `Each value of the ${fieldName(field)} is a button; none says that there is no trigger.`;
      throw reportProblem('link/ability', what, 'Use a device whose effects need no trigger.');
    }
    putBits(this.place.descriptor, this.report.bytes, field, none);
    return this;
  }

  /** Chooses one of a list, be it a field of numbers or a bit each. */
  choose(list: PidName, choice: PidName): this {
    const usage = pidUsage(choice);
    for (const field of this.fields) {
      const value = choiceOf(field, usage);
      if (value !== undefined) return this.put(field, value);
      if (field.choices === undefined && usageOf(field) === usage) {
        return this.put(field, field.logical.maximum);
      }
    }
    throw lacking(`has no ${choice} (${hexOf(usage)}) for the ${list} of its ${this.place.name}`);
  }

  /** Enables axes, and no others. */
  axes(axes: NonEmpty<Usage>): this {
    const inside = this.within('axesEnable');
    for (const axis of axes) {
      const field = inside.find((f) => usageOf(f) === axis);
      if (field === undefined) {
        throw lacking(`has no axis ${hexOf(axis)} to enable in its ${this.place.name}`);
      }
      this.put(field, field.logical.maximum);
    }
    return this;
  }

  /** Puts the angle, rad, into the first field of the direction; others stay 0. */
  direction(angle: number): this {
    const enable = this.find('directionEnable');
    this.put(enable, enable.logical.maximum);
    const [first] = this.within('direction');
    if (first === undefined) throw lacking(`has no direction in its ${this.place.name}`);
    return this.put(first, logicalOf(first, angle, 'rad'));
  }

  private find(name: PidName): ReportField {
    return fieldOf({ ...this.place, fields: this.fields }, name);
  }

  /** Fields in a collection, or with its usage where there is no collection. */
  private within(name: PidName): readonly ReportField[] {
    const usage = pidUsage(name);
    return this.fields.filter((f) => f.path.includes(usage) || usageOf(f) === usage);
  }

  private put(field: ReportField, value: number): this {
    writeField(this.place.descriptor, this.report.bytes, field, value);
    return this;
  }
}

/** A report that a device sent. */
export class PidReply {
  /** @throws link/garbled when it is another report, or not as long as the descriptor says. */
  constructor(
    private readonly place: PidPlace,
    private readonly bytes: Uint8Array,
  ) {
    const { descriptor, kind, id } = place;
    const { length } = emptyReport(descriptor, kind, id).bytes;
    const found = descriptor.hasIds ? bytes[0] : 0;
    if (bytes.length === length && found === id) return;
    throw this.garbled(
      `has ${bytes.length} bytes and id ${found}, ${length} bytes and id ${id} make it`,
    );
  }

  /** @throws link/ability when there is no such field, link/garbled when it holds no value. */
  number(name: PidName): number {
    const field = fieldOf(this.place, name);
    const value = readField(this.place.descriptor, this.bytes, field);
    if (value >= field.logical.minimum && value <= field.logical.maximum) return value;
    const { minimum, maximum } = field.logical;
    throw this.garbled(`has ${value} as ${name}, ${minimum} … ${maximum} can be`);
  }

  /** Index of a block, or 0 for none where that may be. */
  block(least: 0 | 1): number {
    const field = fieldOf(this.place, 'effectBlockIndex');
    const isNone = readField(this.place.descriptor, this.bytes, field) === 0;
    if (isNone && least === 1)
      throw this.garbled('has 0 as effectBlockIndex, a block has at least 1');
    return isNone ? 0 : this.number('effectBlockIndex');
  }

  /** A value under a name of ours, or nothing where the device has no such field. */
  known<K extends string>(key: K, name: PidName): Partial<Record<K, number>> {
    const usage = pidUsage(name);
    if (!this.place.fields.some((f) => usageOf(f) === usage)) return {};
    const known: Partial<Record<K, number>> = {};
    known[key] = this.number(name);
    return known;
  }

  /** As `known`, for what is on or off. */
  flag<K extends string>(key: K, name: PidName): Partial<Record<K, boolean>> {
    const usage = pidUsage(name);
    if (!this.place.fields.some((f) => usageOf(f) === usage)) return {};
    const known: Partial<Record<K, boolean>> = {};
    known[key] = this.number(name) !== 0;
    return known;
  }

  /** Which of a list was chosen. @throws link/garbled when it is none. */
  chosen<T extends PidName>(list: PidName, choices: readonly T[]): T {
    const { descriptor, fields } = this.place;
    const found = choices.find((choice) =>
      fields.some((field) => {
        const value = readField(descriptor, this.bytes, field);
        const chosen = choiceOf(field, pidUsage(choice));
        if (chosen !== undefined) return value === chosen;
        return field.choices === undefined && usageOf(field) === pidUsage(choice) && value !== 0;
      }),
    );
    if (found === undefined) throw this.garbled(`has none of ${choices.join(', ')} as ${list}`);
    return found;
  }

  private garbled(finding: string): StallmarkError {
    const what = `The ${this.place.name} ${finding}.`;
    return reportProblem(
      'link/garbled',
      what,
      'See that the device is the one that was described.',
    );
  }
}
