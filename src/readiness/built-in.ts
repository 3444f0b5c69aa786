import type { Json } from '../base/canonical.js';
import { COMPONENT_KINDS, type Component, type Identity } from '../bench/bench.js';
import type { Entry } from '../ledger/ledger.js';
import { textIn } from './past-attempts.js';

/** What an item said of itself in the attempt of a record. */
export interface ToldByItem {
  readonly serial: string;
  readonly attempt: number;
  /** Number of the record. */
  readonly certificate: string;
  /** ISO 8601 UTC. */
  readonly at: string;
  readonly simulated: boolean;
  readonly firmware: string;
  readonly firmwareDigest: string;
  readonly revision?: string;
  readonly parametersDigest?: string;
  readonly components: readonly Component[];
}

/** Part of the body of an entry `record-issued`: what the item said of itself. */
export function toldBody(identity: Identity): { readonly item: Json } {
  const { firmware, firmwareDigest, revision, parametersDigest, components = [] } = identity;
  return {
    item: {
      ...{ firmware, firmwareDigest },
      ...(revision === undefined ? {} : { revision }),
      ...(parametersDigest === undefined ? {} : { parametersDigest }),
      components: components.map(({ kind, serial }): Json => ({ kind, serial })),
    },
  };
}

/** Reads it back; undefined for any other entry, and for a record that keeps nothing of it. */
export function readTold(entry: Entry): ToldByItem | undefined {
  const { item } = entry.body;
  if (entry.kind !== 'record-issued' || !isMapping(item)) return undefined;
  const [revision, parametersDigest] = [textIn(item, 'revision'), textIn(item, 'parametersDigest')];
  const { components } = item;
  return {
    ...{ serial: entry.serial, attempt: entry.attempt, at: entry.at },
    certificate: textIn(entry.body, 'certificate'),
    // What does not say that it is a product record is taken for a simulated one.
    simulated: entry.body['simulated'] !== false,
    firmware: textIn(item, 'firmware'),
    firmwareDigest: textIn(item, 'firmwareDigest'),
    ...(revision === '' ? {} : { revision }),
    ...(parametersDigest === '' ? {} : { parametersDigest }),
    components: Array.isArray(components) ? (components as readonly Json[]).flatMap(readOne) : [],
  };
}

function isMapping(value: Json | undefined): value is { readonly [key: string]: Json } {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}

function readOne(value: Json): readonly Component[] {
  if (!isMapping(value)) return [];
  const kind = COMPONENT_KINDS.find((known) => known === value['kind']);
  const serial = textIn(value, 'serial');
  return kind === undefined || serial === '' ? [] : [{ kind, serial }];
}

/**
 * What an item said of itself when it was last tested to a record.
 *
 * @param history - Entries of one serial, oldest first.
 */
export function lastTold(history: readonly Entry[]): ToldByItem | undefined {
  return history.flatMap((entry) => readTold(entry) ?? []).at(-1);
}

/** An item that told a component. */
export interface Holder {
  readonly serial: string;
  readonly kind: Component['kind'];
  /** False where a later record of the item names another one; one that names none says nothing. */
  readonly isThere: boolean;
  /** The last record that tells it. */
  readonly certificate: string;
  readonly attempt: number;
  readonly at: string;
  readonly simulated: boolean;
}

/**
 * Finds every item that told a component with this serial in a record, also those in which another one
 * is built in by now.
 *
 * @param entries - Of all serials, oldest first.
 * @returns By item, in the order in which they first told it.
 */
export function holdersOf(component: string, entries: Iterable<Entry>): readonly Holder[] {
  const holders = new Map<string, Holder>();
  for (const entry of entries) {
    const told = readTold(entry);
    if (told === undefined) continue;
    const { serial, certificate, attempt, at, simulated, components } = told;
    const kinds = components.filter((one) => one.serial === component).map(({ kind }) => kind);
    for (const [key, holder] of holders) {
      const isTold = components.some(({ kind }) => kind === holder.kind);
      if (holder.serial === serial && isTold) holders.set(key, { ...holder, isThere: false });
    }
    for (const kind of kinds) {
      const found = { serial, kind, isThere: true, certificate, attempt, at, simulated };
      holders.set(JSON.stringify([serial, kind]), found);
    }
  }
  return [...holders.values()];
}
