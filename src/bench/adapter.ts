import type { Adapter } from './bench.js';

/** An adapter by everything that names it, for people. */
export function adapterWords({ id, kind, serial }: Adapter): string {
  return `${id}, ${kind}, serial ${serial}`;
}
