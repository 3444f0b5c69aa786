import { readFileSync } from 'node:fs';
import { expect } from 'vitest';

/** A published or computed value with the tolerance that its source justifies. */
export interface Row<I, E> {
  readonly id: string;
  readonly inputs: I;
  readonly expected: E;
  readonly tolerance: { readonly abs?: number; readonly rel?: number };
}

/** Reads the rows of tests/checks/<name>.json, to be looked up by id. */
export function rowsOf(name: string): (id: string) => Row<unknown, unknown> {
  const file = new URL(`../checks/${name}.json`, import.meta.url);
  const rows = JSON.parse(readFileSync(file, 'utf8')) as readonly Row<unknown, unknown>[];
  return (id) => {
    const row = rows.find((candidate) => candidate.id === id);
    if (row === undefined) throw new Error(`no row ${id} in ${name}.json`);
    return row;
  };
}

/** Expects numbers to be as close as a tolerance says, each with its index in the message. */
export function expectClose(
  actual: ArrayLike<number>,
  expected: ArrayLike<number>,
  tolerance: { readonly abs?: number; readonly rel?: number },
): void {
  expect(actual.length).toBe(expected.length);
  for (let i = 0; i < expected.length; i++) {
    const [found, wanted] = [actual[i] as number, expected[i] as number];
    const allowed = Math.max(tolerance.abs ?? 0, (tolerance.rel ?? 0) * Math.abs(wanted));
    const apart = Math.abs(found - wanted);
    expect(apart <= allowed, `value ${i}: ${found}, wanted ${wanted} ± ${allowed}`).toBe(true);
  }
}
