import { StallmarkError } from '../base/error.js';
import type { AdapterProcess } from './conformance-adapter.js';
import type { AdapterHello } from './conformance-hello.js';

/** Whether an adapter is as the protocol says; not applicable where it has no such part. */
export type CheckOutcome = 'ok' | 'not ok' | 'not applicable';

/** What one check found. */
export interface CheckFinding {
  readonly check: string;
  readonly outcome: CheckOutcome;
  /** What was observed. */
  readonly found: string;
  /** What is right. */
  readonly right: string;
  /** An order. */
  readonly fix: string;
}

/** What a check saw; the fix of the check counts unless it has a better one. */
export interface CheckResult {
  readonly outcome: CheckOutcome;
  readonly found: string;
  readonly fix?: string;
}

/** What a check stands on: how to start the adapter, and what a first call learnt of it. */
export interface CheckGround {
  /** Starts the adapter anew; whoever runs the check ends it. */
  start(): AdapterProcess;
  /** What it said of itself at the first call. */
  readonly hello: AdapterHello;
  /** N·m: what power is limited to. */
  readonly ceiling: number;
}

export interface ConformanceCheck {
  readonly name: string;
  readonly right: string;
  readonly fix: string;
  /** Whether power is applied. */
  readonly energizes: boolean;
  /** Roles that the adapter must have. */
  readonly roles: readonly string[];
  readonly look: (ground: CheckGround) => Promise<CheckResult>;
}

export const ok = (found: string): CheckResult => ({ outcome: 'ok', found });
export const notOk = (found: string, fix?: string): CheckResult =>
  fix === undefined ? { outcome: 'not ok', found } : { outcome: 'not ok', found, fix };
export const notApplicable = (found: string): CheckResult => ({
  outcome: 'not applicable',
  found,
});

/** One result from what was found wrong: none of it is ok. */
export function sum(faults: readonly string[], fine: string): CheckResult {
  return faults.length === 0 ? ok(fine) : notOk(faults.join(' '));
}

/** Runs one check; what it throws on purpose is what it found. */
export async function findingOf(
  check: ConformanceCheck,
  ground: CheckGround,
): Promise<CheckFinding> {
  const { name, right } = check;
  const { outcome, found, fix } = await resultOf(check, ground);
  return { check: name, outcome, found, right, fix: fix ?? check.fix };
}

async function resultOf(check: ConformanceCheck, ground: CheckGround): Promise<CheckResult> {
  const lacks = check.roles.filter((role) => !ground.hello.roles.includes(role));
  if (lacks.length > 0) return notApplicable(`The adapter is no ${lacks.join(' and no ')}.`);
  const started: AdapterProcess[] = [];
  const watched: CheckGround = {
    ...ground,
    start: () => {
      const adapter = ground.start();
      started.push(adapter);
      return adapter;
    },
  };
  try {
    return await check.look(watched);
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    const [{ code, what }] = error.problems;
    return notOk(`${code}: ${what}`, error.problems[0].fix);
  } finally {
    for (const adapter of started) await adapter.dispose();
  }
}
