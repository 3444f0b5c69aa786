import { StallmarkError } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import { AdapterProcess } from './conformance-adapter.js';
import { BREACH_CHECKS } from './conformance-breaches.js';
import {
  type CheckFinding,
  type CheckGround,
  type ConformanceCheck,
  findingOf,
} from './conformance-check.js';
import { GREETING_CHECKS } from './conformance-greeting.js';
import { type AdapterHello, callAdapter } from './conformance-hello.js';
import { LIMITS_CHECKS, TOO_MUCH } from './conformance-limits.js';
import { limited } from './conformance-power.js';
import { STOP_CHECKS } from './conformance-stops.js';
import { TAKE_CHECKS } from './conformance-takes.js';

/** Every check in the order in which they run: what applies no power first. */
export const CONFORMANCE_CHECKS: readonly ConformanceCheck[] = [
  ...GREETING_CHECKS,
  ...LIMITS_CHECKS,
  ...TAKE_CHECKS,
  ...STOP_CHECKS,
  ...BREACH_CHECKS,
].sort((a, b) => Number(a.energizes) - Number(b.energizes));

/** What is held against the protocol, and how. */
export interface ConformanceOrder {
  readonly command: NonEmpty<string>;
  /** N·m that power is limited to; by default a tenth of what the device can hold, and 1 N·m at most. */
  readonly ceiling?: number;
  /** Names of checks; all of them by default. */
  readonly only?: readonly string[];
  /** Asked once, before anything is energized; throws when nothing may be. */
  readonly beforePower: (hello: AdapterHello, ceiling: number) => Promise<void>;
  /** Told each finding as it is made. */
  readonly tell?: (finding: CheckFinding) => void;
  /** Ends it after the check that runs, whose adapter is made safe at once. */
  readonly stop?: AbortSignal;
}

/** What was found of an adapter. */
export interface Conformance {
  readonly hello: AdapterHello;
  /** N·m */
  readonly ceiling: number;
  readonly findings: readonly CheckFinding[];
  /** Whether nothing is "not ok". */
  readonly conforms: boolean;
}

/** N·m that the suite applies power under, unless asked otherwise. */
const CEILING = 1;
const SHARE = 0.1;

/**
 * Holds an adapter against stallmark-link 1. Each check starts it anew and ends it.
 *
 * @throws link/… when it cannot even be called, run/stopped, what `beforePower` throws.
 */
export async function conform(order: ConformanceOrder): Promise<Conformance> {
  const live = new Set<AdapterProcess>();
  const start = (): AdapterProcess => {
    if (order.stop?.aborted === true) throw stopped();
    const adapter = new AdapterProcess(order.command);
    live.add(adapter);
    return adapter;
  };
  const stop = (): void => {
    for (const adapter of live) void adapter.dispose();
  };
  order.stop?.addEventListener('abort', stop);
  try {
    return await held(order, { start, ...(await survey(start, order.ceiling)) });
  } finally {
    order.stop?.removeEventListener('abort', stop);
  }
}

async function held(order: ConformanceOrder, ground: CheckGround): Promise<Conformance> {
  const checks = CONFORMANCE_CHECKS.filter(({ name }) => order.only?.includes(name) ?? true);
  const findings: CheckFinding[] = [];
  let mayEnergize = false;
  for (const check of checks) {
    if (check.energizes && !mayEnergize && ground.hello.roles.includes('drive')) {
      await order.beforePower(ground.hello, ground.ceiling);
      mayEnergize = true;
    }
    const finding = await findingOf(check, ground);
    if (order.stop?.aborted === true) throw stopped();
    findings.push(finding);
    order.tell?.(finding);
  }
  const conforms = findings.every(({ outcome }) => outcome !== 'not ok');
  return { hello: ground.hello, ceiling: ground.ceiling, findings, conforms };
}

/** Calls the adapter for the first time, power off, and chooses the ceiling. */
async function survey(
  start: () => AdapterProcess,
  asked: number | undefined,
): Promise<{ readonly hello: AdapterHello; readonly ceiling: number }> {
  const adapter = start();
  try {
    const hello = await callAdapter(adapter);
    if (asked !== undefined) return { hello, ceiling: asked };
    if (!hello.roles.includes('drive')) return { hello, ceiling: CEILING };
    const most = await limited(adapter, TOO_MUCH.ceiling).catch((error: unknown) => {
      if (error instanceof StallmarkError) return undefined; // the check "limits" tells it
      throw error;
    });
    return {
      hello,
      ceiling: stepped(hello, Math.min(CEILING, SHARE * (most?.ceiling ?? CEILING))),
    };
  } finally {
    await adapter.dispose();
  }
}

/** The next ceiling below that the device can be set to, at least one step. */
function stepped(hello: AdapterHello, ceiling: number): number {
  const step = hello.drive['ceilingStep_Nm'];
  if (typeof step !== 'number' || !(step > 0)) return ceiling;
  return Math.max(1, Math.floor(ceiling / step + 1e-9)) * step;
}

function stopped(): StallmarkError {
  const what = 'The check of the adapter was stopped; the adapter was told to take power off.';
  const fix = 'Look that power is off, then begin again when ready.';
  return new StallmarkError([{ code: 'run/stopped', what, fix }]);
}
