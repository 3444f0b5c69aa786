import { join } from 'node:path';
import { isoInstant, systemClock } from '../base/clock.js';
import type { ItemVerdict } from '../decision/decision.js';
import { defaultKeys } from '../run/places.js';
import type { Issued } from '../run/issue.js';
import { PACKAGE_ROOT } from '../run/documents.js';
import { showResult, testItem, type RunOptions } from './run.js';
import type { Terminal } from './terminal.js';
import { verify } from './verify.js';

/** The two items of the demonstration and what must become of them. */
const ITEMS: readonly {
  readonly serial: string;
  readonly fault: readonly string[];
  readonly expected: ItemVerdict['word'];
  /** The row that must carry the verdict. */
  readonly because: string | undefined;
}[] = [
  { serial: 'H12-26-04711', fault: [], expected: 'ACCEPT', because: undefined },
  { serial: 'H12-26-04712', fault: ['wrong-slew'], expected: 'REJECT', because: 'slew-rate' },
];

/**
 * Tests one good and one faulty item on the simulated bench, verifies what was written, and returns
 * 0 when the good one was accepted and the faulty one rejected for the right reason.
 */
export async function demo(
  options: { readonly data?: string; readonly keys?: string },
  to: Terminal,
): Promise<number> {
  const begun = systemClock.monotonic();
  const stamp = isoInstant(systemClock.now()).replaceAll(':', '-');
  const data = options.data ?? join(PACKAGE_ROOT, 'reports', `demo-${stamp}`);
  const keys = options.keys ?? defaultKeys();
  let isRight = true;
  for (const { serial, fault, expected, because } of ITEMS) {
    const about =
      fault.length === 0 ? 'a good item' : `an item with the fault "${fault.join(', ')}"`;
    to.out(`\n── ${serial}: ${about} ${'─'.repeat(Math.max(0, 60 - about.length))}`);
    const issued = await testItem({ serial }, runOptions(data, keys, fault), neverStopped(), to);
    showResult(issued.certificate, issued.folder, to);
    isRight &&= isAsExpected(issued, expected, because, to);
  }
  to.out('\n── Verification of what was written ──');
  const verified = await verify([data], { keys, root: [] }, to);
  const seconds = (systemClock.monotonic() - begun) / 1000;
  to.out(
    `\nDemonstration ${isRight && verified === 0 ? 'as expected' : 'NOT as expected'}, ${seconds.toFixed(1)} s in all.`,
  );
  return isRight ? verified : 1;
}

function runOptions(data: string, keys: string, fault: readonly string[]): RunOptions {
  return {
    operator: 'operator 17 (demonstration)',
    acknowledge: ['crushing', 'sudden-torque'],
    fault,
    pace: 'fast',
    language: 'en',
    data,
    keys,
  };
}

const neverStopped = (): AbortSignal => new AbortController().signal;

function isAsExpected(
  { certificate }: Issued,
  expected: ItemVerdict['word'],
  because: string | undefined,
  to: Terminal,
): boolean {
  const { verdict, results } = certificate.decision;
  const outside = results.filter((r) => r.verdict.outcome === 'nonconforming');
  const named = because === undefined || outside.some((r) => r.limit.characteristic === because);
  if (verdict.word === expected && named) return true;
  to.out(`Expected ${expected}${because === undefined ? '' : ` because of ${because}`}.`);
  return false;
}
