import { expect, test, vi } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type * as Schema from '../../src/procedure/schema.js';
import { prepare, type Choice } from '../../src/run/documents.js';
import { temporaryFolder } from '../support/folder.js';
import { shortDocuments } from '../support/short-documents.js';

// Every bench that can be described now is simulated; a real one is told by its kind alone.
const bench = vi.hoisted(() => ({ kind: 'simulated' }));
vi.mock('../../src/procedure/schema.js', async (original) => {
  const real = await original<typeof Schema>();
  const readStation: typeof real.readStation = (text, file) =>
    ({ ...real.readStation(text, file), kind: bench.kind }) as ReturnType<typeof real.readStation>;
  return { ...real, readStation };
});

const SERIAL = 'H12-26-04711';

function saidOn(kind: string, choice: Omit<Choice, 'serial'>): readonly string[] {
  bench.kind = kind;
  try {
    prepare({ serial: SERIAL, ...choice });
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ what }) => what);
    throw error;
  } finally {
    bench.kind = 'simulated';
  }
}

test('documents picked by hand are taken on a simulated bench and refused on a real one', () => {
  const { procedure, limits, bench: file } = shortDocuments(temporaryFolder());
  expect(saidOn('simulated', { procedure, limits, bench: file })).toEqual([]);
  expect(saidOn('torque rig', { procedure, limits, bench: file })).toEqual([
    `--procedure ${procedure} was given, but on this bench the label alone leads to its procedure.`,
    `--limits ${limits} was given, but on this bench the label alone leads to its limits.`,
  ]);
});
