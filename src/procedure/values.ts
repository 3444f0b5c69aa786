import type { Json } from '../base/canonical.js';
import type { ErrorCode } from '../base/codes.js';
import type { Place, Problem } from '../base/error.js';
import { readMeasure } from '../base/units.js';
import type { Measure } from '../base/units.js';
import { pointerKeys, pointerToken } from './yaml.js';
import type { Located } from './yaml.js';

/**
 * Values of a document by JSON pointer. The names ending in `At` give undefined for what is not
 * there, so that checks can look into a document that has other faults; the plain ones are for
 * documents known to follow their schema, and anything else is our defect.
 */
export class Values {
  readonly located: Located;
  readonly problems: Problem[] = [];

  constructor(located: Located) {
    this.located = located;
  }

  get file(): string {
    return this.located.file;
  }

  add(code: ErrorCode, pointer: string, what: string, fix: string): void {
    this.problems.push({ code, where: this.located.placeOf(pointer), what, fix });
  }

  place(pointer: string): Place {
    return this.located.placeOfKey(pointer);
  }

  at(pointer: string): Json | undefined {
    let value: Json | undefined = this.located.value;
    for (const key of pointerKeys(pointer)) {
      if (typeof value !== 'object' || value === null || !Object.hasOwn(value, key))
        return undefined;
      value = (value as Readonly<Record<string, Json>>)[key];
    }
    return value;
  }

  textAt(pointer: string): string | undefined {
    const value = this.at(pointer);
    return typeof value === 'string' ? value : undefined;
  }

  measureAt(pointer: string): Measure | undefined {
    const text = this.textAt(pointer);
    const measure = text === undefined ? undefined : readMeasure(text);
    return measure === undefined || 'reason' in measure ? undefined : measure;
  }

  /** Pointers of the items of a list, or none. */
  items(pointer: string): readonly string[] {
    const value = this.at(pointer);
    return Array.isArray(value) ? value.map((_, i) => `${pointer}/${i}`) : [];
  }

  /** Pointers of the members of a mapping, or none. */
  members(pointer: string): readonly (readonly [key: string, pointer: string])[] {
    const value = this.at(pointer);
    if (typeof value !== 'object' || value === null || Array.isArray(value)) return [];
    return Object.keys(value).map((key) => [key, `${pointer}/${pointerToken(key)}`]);
  }

  /** Pointers of a value that is a list or stands for a list of one. */
  list(pointer: string): readonly string[] {
    const value = this.at(pointer);
    if (value === undefined) return [];
    return Array.isArray(value) ? this.items(pointer) : [pointer];
  }

  has(pointer: string): boolean {
    return this.at(pointer) !== undefined;
  }

  text(pointer: string): string {
    return this.textAt(pointer) ?? missing(pointer);
  }

  number(pointer: string): number {
    const value = this.at(pointer);
    return typeof value === 'number' ? value : missing(pointer);
  }

  /** Value of a quantity in its base unit. */
  base(pointer: string): number {
    return (this.measureAt(pointer) ?? missing(pointer)).value;
  }
}

function missing(pointer: string): never {
  throw new Error(`the schema let a document without a proper ${pointer} through`);
}
