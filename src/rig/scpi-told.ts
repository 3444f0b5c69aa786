import {
  COMPONENT_KINDS,
  type Component,
  type DeviceReport,
  type Identity,
} from '../bench/bench.js';
import { problem } from '../bench/refusal.js';
import { scpiNumber } from '../link/scpi-number.js';

/** Most components that an item tells. */
const MOST_COMPONENTS = 32;
const FIX = 'Check the dialect of the link against the manual of the instrument.';

/**
 * Reads a report in the order that the dialect gives.
 *
 * @param order - Names of the values; `-` is passed over.
 * @throws link/garbled
 */
export function reportIn(
  link: string,
  order: readonly string[],
  told: readonly string[],
): DeviceReport {
  const text = byName(link, 'report', order, told);
  const number = (name: string): number | undefined => {
    const value = text.get(name);
    return value === undefined ? undefined : scpiNumber(value, `What "${link}" reports as ${name}`);
  };
  const named = { linkLost: 'link-lost', gap: 'gap', jitter: 'jitter', duty: 'duty' } as const;
  const optional = Object.entries(named).flatMap(([key, name]) => {
    const value = number(name);
    return value === undefined ? [] : [[key, value] as const];
  });
  return {
    updates: number('updates') ?? 0,
    missing: number('missing') ?? 0, // a device that plays from its memory waits for nobody
    ...Object.fromEntries(optional),
    time: number('time') ?? 0,
    fault: number('fault') ?? 0,
    torqueEnabled: (number('enabled') ?? 0) !== 0,
  };
}

/** Reads what an item says it is, in the order that the dialect gives. @throws link/garbled */
export function identityIn(
  link: string,
  order: readonly string[],
  told: readonly string[],
): Identity {
  const text = byName(link, 'item', order, told);
  const needed = (name: string): string => {
    const value = text.get(name) ?? '';
    if (value !== '') return value;
    const what = `The link "${link}" tells no ${name} of the item.`;
    throw problem('link/garbled', what, 'Check that an item is in the nest and connected.');
  };
  const revision = text.get('revision') ?? '';
  const parametersDigest = text.get('parameters-digest') ?? '';
  return {
    model: needed('model'),
    serial: needed('serial'),
    firmware: needed('firmware'),
    firmwareDigest: needed('firmware-digest'),
    ...(revision === '' ? {} : { revision }),
    ...(parametersDigest === '' ? {} : { parametersDigest }),
  };
}

/** Reads components as kind and serial in turn; one empty text is none. @throws link/garbled */
export function componentsIn(link: string, told: readonly string[]): readonly Component[] {
  if (told.length <= 1 && (told[0] ?? '') === '') return [];
  if (told.length % 2 !== 0 || told.length > 2 * MOST_COMPONENTS) {
    const what = `The link "${link}" tells ${told.length} texts of components, but each has a kind and a serial.`;
    throw problem('link/garbled', what, FIX);
  }
  return Array.from({ length: told.length / 2 }, (_, i) => {
    const [written = '', serial = ''] = told.slice(2 * i, 2 * i + 2);
    const kind = COMPONENT_KINDS.find((one) => one === written);
    if (kind !== undefined && serial !== '') return { kind, serial };
    const what = `The link "${link}" tells the component "${written}" with the serial "${serial}"; kinds are ${COMPONENT_KINDS.join(', ')}.`;
    throw problem('link/garbled', what, FIX);
  });
}

function byName(
  link: string,
  question: string,
  order: readonly string[],
  told: readonly string[],
): ReadonlyMap<string, string> {
  if (told.length === order.length) return new Map(order.map((name, i) => [name, told[i] ?? '']));
  const what = `The link "${link}" tells ${told.length} values to "${question}", but must tell ${order.length}: ${order.join(', ')}.`;
  throw problem('link/garbled', what, FIX);
}
