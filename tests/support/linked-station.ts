import { readFileSync } from 'node:fs';
import { readStation } from '../../src/procedure/schema.js';
import type { LinkedStation } from '../../src/rig/open-rig.js';

const TW_1 = readFileSync('procedures/benches/tw-1.yaml', 'utf8');

/** Roles, timing and inputs of a bench whose digitizer measures in volts, as the emulated one does. */
export const IN_VOLTS = `channels:
  command: { input: 1, per-volt: 2 N·m }
  current: { input: 2, per-volt: 3 A }
  torque: { input: 3, per-volt: 2 N·m }
  supply: { input: 4, per-volt: 8 V }
  winding: { input: 5, per-volt: 20 K }
  sound: { input: 6, per-volt: 2 Pa }
timing: { method: command, U: 0.02 ms }
safe-touch: 0.5 N·m
`;

/** The text of bench TW-1 with other links; `links` stands in the place of "kind: simulated". */
export function linkedText(links: string, id = 'TW-2'): string {
  return TW_1.replace('bench: TW-1\nkind: simulated\n', `bench: ${id}\n${links}`);
}

/** A bench whose every role is a wire adapter. */
export function wireText(place: string, kind = 'emulated'): string {
  return linkedText(`kind: ${kind}
links:
  stand: { protocol: wire, ${place} }
roles: { drive: stand, digitizer: stand, interlock: stand }
timing: { method: command, U: 0.02 ms }
safe-touch: 0.5 N·m
`);
}

/** Reads a bench description with links; dialects are those that are shipped. */
export function linkedStation(text: string): LinkedStation {
  const station = readStation(text, 'procedures/links/bench.yaml', (name) =>
    readFileSync(`procedures/links/${name}`),
  );
  if (station.links === undefined) throw new Error('the bench has no links');
  return { ...station, links: station.links };
}
