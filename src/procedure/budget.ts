import type { Place } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import { readMeasure, type Dimension, type Unit } from '../base/units.js';
import type { Values } from './values.js';

/** Where a component of uncertainty comes from. */
export type Origin =
  /** An instrument of the register, by its id. */
  | { readonly kind: 'instrument'; readonly id: string }
  /** A value of the stand model in force; its size is the uncertainty stated there. */
  | { readonly kind: 'stand'; readonly value: StandValue }
  /** `repeats` is the scatter of a value over runs; where a run has repeats of its own, they count instead. */
  | { readonly kind: 'resolution' | 'alignment' | 'repeats' | 'judgement' };

/** Values of the stand model, as the bench description calls them. */
export const STAND_VALUES = [
  'resonance',
  'damping',
  'compliance',
  'torque-delay',
  'current-delay',
] as const;
export type StandValue = (typeof STAND_VALUES)[number];

/** What is known of a component: a size with its coverage factor, or half the width of limits. */
export type StatedDistribution =
  | { readonly kind: 'normal'; readonly k: number }
  | { readonly kind: 'rectangular' | 'triangular' | 'arcsine' };

export const DISTRIBUTIONS = ['normal', 'rectangular', 'triangular', 'arcsine'] as const;

/** One component of a budget. Its size is relative · |value| + absolute, as its distribution means it. */
export interface Component {
  /** Its name where it is shared, its place in the list of its characteristic otherwise. */
  readonly name: string;
  readonly what: string;
  readonly origin: Origin;
  /** The reason for its size, where one is stated; a judgement always has one. */
  readonly why?: string;
  /** Share of the value. */
  readonly relative: number;
  /** In the base unit of `unit`. */
  readonly absolute: number;
  /** Unit in which the absolute size was written; absent where there is none. */
  readonly unit?: Unit;
  readonly distribution: StatedDistribution;
  /** Change of the result, base unit, for a change of the component, base unit. */
  readonly sensitivity: number;
  /** The sensitivity as it was written, where it has a unit: "8.75 % per N·m". */
  readonly sensitivityText?: string;
  /** What the absolute size is in the result; the plan holds it against the characteristic. */
  readonly dimension?: Dimension;
  /** Degrees of freedom, ≥ 1; Infinity when the size is taken as exact. */
  readonly freedom: number;
}

/** The uncertainty budget of one characteristic as the bench states it. */
export interface Budget {
  /** Version and date of all budgets of the bench. */
  readonly version: number;
  readonly date: string;
  readonly components: NonEmpty<Component>;
  readonly where: Place;
}

/** A sensitivity with a unit: numerator, denominator. */
const PER = /^(.+?) per (.+)$/u;

/** Reads "8.75 % per N·m"; undefined where either side is no quantity. */
export function readSensitivity(
  text: string,
): { readonly factor: number; readonly of: Unit; readonly per: Unit } | undefined {
  const [, upper, lower] = PER.exec(text) ?? [];
  if (upper === undefined || lower === undefined) return undefined;
  const of = readMeasure(upper);
  const per = readMeasure(/^[\d+\-−]/u.test(lower) ? lower : `1 ${lower}`);
  if ('reason' in of || 'reason' in per || per.value === 0) return undefined;
  return { factor: of.value / per.value, of: of.unit, per: per.unit };
}

/** One component as a budget takes it: where it is written, and what is written where it is taken. */
export interface Taken {
  readonly name: string;
  /** Pointer of the component. */
  readonly at: string;
  /** Pointer of the entry of the budget. */
  readonly entry: string;
}

/**
 * Lists what a budget consists of, groups taken apart. Names that are not known are left out: the
 * checks report them.
 *
 * @param at - Pointer of the budget.
 */
export function takenBy(values: Values, at: string): readonly Taken[] {
  return values.items(at).flatMap((entry, i): readonly Taken[] => {
    const name = usedName(values, entry);
    if (name === undefined) return [{ name: `component ${i + 1}`, at: entry, entry }];
    return componentsNamed(values, name).map((one) => ({ ...one, entry }));
  });
}

/** The name of the component or group that an entry refers to; undefined for a component of its own. */
export function usedName(values: Values, entry: string): string | undefined {
  return values.textAt(entry) ?? values.textAt(`${entry}/use`);
}

/** Shared components under a name: one, those of a group, or none when the name is not known. */
export function componentsNamed(
  values: Values,
  name: string,
): readonly Pick<Taken, 'name' | 'at'>[] {
  const shared = (one: string): readonly Pick<Taken, 'name' | 'at'>[] =>
    values
      .members('/uncertainty/components')
      .filter(([key]) => key === one)
      .map(([key, at]) => ({ name: key, at }));
  const alone = shared(name);
  const group = values.members('/uncertainty/groups').find(([key]) => key === name);
  if (alone.length > 0 || group === undefined) return alone;
  return values.items(group[1]).flatMap((item) => shared(values.textAt(item) ?? ''));
}

/**
 * Builds the budgets of a bench description that was checked.
 *
 * @param stand - Expanded uncertainties, k = 2, of the stand model in force, base units.
 */
export function buildBudgets(
  values: Values,
  stand: Readonly<Record<StandValue, number>>,
): ReadonlyMap<string, Budget> {
  const version = values.number('/uncertainty/version');
  const date = values.text('/uncertainty/date');
  return new Map(
    values.members('/uncertainty/budgets').map(([id, at]) => {
      const [first, ...more] = takenBy(values, at).map((t) => buildComponent(values, t, stand));
      if (first === undefined) throw new Error(`the schema let the empty budget ${id} through`);
      return [id, { version, date, components: [first, ...more], where: values.place(at) }];
    }),
  );
}

function buildComponent(
  values: Values,
  taken: Taken,
  stand: Readonly<Record<StandValue, number>>,
): Component {
  const { name, at } = taken;
  const origin = buildOrigin(values, at);
  const why = values.textAt(`${at}/why`);
  return {
    name,
    what: values.text(`${at}/what`),
    origin,
    ...(why === undefined ? {} : { why }),
    ...buildSize(values, at, origin, stand),
    ...buildSensitivity(values, taken),
    freedom: values.has(`${at}/freedom`) ? values.number(`${at}/freedom`) : Infinity,
  };
}

function buildOrigin(values: Values, at: string): Origin {
  const from = values.text(`${at}/from`);
  switch (from) {
    case 'instrument':
      return { kind: from, id: values.text(`${at}/of`) };
    case 'stand': {
      const value = STAND_VALUES.find((known) => known === values.textAt(`${at}/of`));
      if (value === undefined) throw new Error(`an unknown value of the stand at ${at}`);
      return { kind: from, value };
    }
    case 'resolution':
    case 'alignment':
    case 'repeats':
    case 'judgement':
      return { kind: from };
    default:
      throw new Error(`the schema let the origin ${from} through`);
  }
}

/** The units of the values of the stand, as its model is written. */
const STAND_DIMENSIONS: Readonly<Record<StandValue, Dimension>> = {
  resonance: 'frequency',
  damping: 'ratio',
  compliance: 'compliance',
  'torque-delay': 'time',
  'current-delay': 'time',
};

/** Dimension of the absolute size of a component; undefined where it has none that can be read. */
export function dimensionOf(values: Values, at: string): Dimension | undefined {
  const value = STAND_VALUES.find((known) => known === values.textAt(`${at}/of`));
  if (values.textAt(`${at}/from`) === 'stand') return value && STAND_DIMENSIONS[value];
  return values.measureAt(`${at}/absolute`)?.unit.dimension;
}

function buildSize(
  values: Values,
  at: string,
  origin: Origin,
  stand: Readonly<Record<StandValue, number>>,
): Pick<Component, 'relative' | 'absolute' | 'unit' | 'distribution'> {
  if (origin.kind === 'stand') {
    const unit = values.measureAt(`${lastStand(values)}/${origin.value}/U`)?.unit;
    return {
      relative: 0,
      absolute: stand[origin.value],
      ...(unit === undefined ? {} : { unit }),
      distribution: { kind: 'normal', k: 2 },
    };
  }
  const absolute = values.measureAt(`${at}/absolute`);
  return {
    relative: values.measureAt(`${at}/relative`)?.value ?? 0,
    absolute: absolute?.value ?? 0,
    ...(absolute === undefined ? {} : { unit: absolute.unit }),
    distribution: buildDistribution(values, at),
  };
}

const lastStand = (values: Values): string => values.items('/stand').at(-1) ?? '';

function buildDistribution(values: Values, at: string): StatedDistribution {
  const name = values.text(`${at}/distribution`);
  const kind = DISTRIBUTIONS.find((known) => known === name);
  if (kind === undefined) throw new Error(`the schema let the distribution ${name} through`);
  return kind === 'normal' ? { kind, k: values.number(`${at}/k`) } : { kind };
}

/** What is written where a shared component is taken counts before what is written beside it. */
function buildSensitivity(
  values: Values,
  { at, entry }: Taken,
): Pick<Component, 'sensitivity' | 'sensitivityText' | 'dimension'> {
  const dimension = dimensionOf(values, at);
  const place = sensitivityPlace(values, { at, entry });
  const text = values.textAt(place);
  const read = text === undefined ? undefined : readSensitivity(text);
  if (text !== undefined && read !== undefined) {
    return { sensitivity: read.factor, sensitivityText: text, dimension: read.of.dimension };
  }
  const factor = values.at(place);
  return {
    sensitivity: typeof factor === 'number' ? factor : 1,
    ...(dimension === undefined ? {} : { dimension }),
  };
}

/** Where the sensitivity that counts is written, if it is written anywhere. */
export function sensitivityPlace(
  values: Values,
  { at, entry }: Pick<Taken, 'at' | 'entry'>,
): string {
  const taken = `${entry}/sensitivity`;
  return values.has(taken) ? taken : `${at}/sensitivity`;
}
