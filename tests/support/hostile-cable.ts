import type { Port, PortListener } from '../../src/link/port.js';
import { StallmarkError } from '../../src/base/error.js';
import type { HandClock } from './clock.js';
import type { Bytes, Mangler } from './hostile-mutation.js';

/** What became of one conversation. */
export interface Outcome {
  /** Frames that were mutated. */
  mutated: number;
  /** Codes of what was refused, each once. */
  readonly codes: Set<string>;
  /** What must not be. */
  readonly findings: string[];
  /** What is told though it is none. */
  readonly notes: string[];
}

export function outcome(): Outcome {
  return { mutated: 0, codes: new Set(), findings: [], notes: [] };
}

/** Notes an error: ours by its code, any other as a finding. */
export function noteError(to: Outcome, where: string, error: unknown): void {
  if (error instanceof StallmarkError) {
    for (const { code } of error.problems) to.codes.add(code);
    return;
  }
  const text = error instanceof Error ? (error.stack ?? error.message) : String(error);
  to.findings.push(`${where} threw ${text.split('\n').slice(0, 3).join(' ')}`);
}

/** How the frames of each direction go. */
export interface CableWays {
  readonly toNear?: Mangler | undefined;
  /** Sees what arrives at the near side, before that does. */
  readonly arriving?: (bytes: Bytes) => void;
  /** Sees what leaves the near side. */
  readonly leaving?: (bytes: Bytes) => void;
  /** Told of frames that the far side sends. */
  readonly sent?: () => void;
  /** Byte after which pieces to the near side are cut, so that each is seen before the next is heard. */
  readonly cutAfter?: number;
}

/** Two ports in this process, one the other end of the other; each piece takes a turn of the microtasks. */
export function hostileCable(
  ways: CableWays,
  to: Outcome,
): { readonly near: Port; readonly far: Port } {
  const listeners: { near?: PortListener; far?: PortListener } = {};
  let isOver = false;
  const end = (): Promise<void> => {
    if (!isOver) {
      isOver = true;
      listeners.near?.closed('the cable was cut');
      listeners.far?.closed('the cable was cut');
    }
    return Promise.resolve();
  };
  const carry = (side: 'near' | 'far', bytes: Bytes): Promise<void> =>
    Promise.resolve().then(() => {
      if (isOver) return;
      try {
        for (const piece of side === 'near' ? cut(bytes, ways.cutAfter) : [bytes]) {
          if (side === 'near') ways.arriving?.(piece);
          listeners[side]?.bytes(piece);
        }
      } catch (error) {
        noteError(to, `the listener of the ${side} port`, error);
      }
    });
  return {
    near: {
      ...{ name: 'near', tellsEnd: true, close: end },
      write: (bytes) => {
        if (!isOver) ways.leaving?.(bytes);
        return carry('far', Uint8Array.from(bytes));
      },
      listen: (listener) => (listeners.near = listener),
    },
    far: {
      ...{ name: 'far', tellsEnd: true, close: end },
      write: async (bytes) => {
        ways.sent?.();
        const parts = ways.toNear?.pass(Uint8Array.from(bytes)) ?? [Uint8Array.from(bytes)];
        await Promise.all(parts.map((part) => carry('near', part)));
      },
      listen: (listener) => (listeners.far = listener),
    },
  };
}

function cut(bytes: Bytes, after: number | undefined): readonly Bytes[] {
  if (after === undefined || !bytes.includes(after)) return [bytes];
  const found: Bytes[] = [];
  for (let at = 0; at < bytes.length;) {
    const end = bytes.indexOf(after, at);
    const to = end < 0 ? bytes.length : end + 1;
    found.push(bytes.slice(at, to));
    at = to;
  }
  return found;
}

export const turn = (): Promise<void> =>
  new Promise((resolve) => {
    setImmediate(resolve);
  });

/** ms of the hand clock within which all must be settled. */
const LONGEST = 60_000;

/** How time goes on for somebody who waits. */
export interface Pace {
  readonly clock: HandClock;
  /** ms at a time, the n-th time. */
  readonly step: (n: number) => number;
  readonly tick?: (ms: number) => void;
}

/** Moves time until something is settled. @returns Whether it is, and whether well. */
export async function settles(
  act: () => unknown,
  pace: Pace,
  to: Outcome,
): Promise<'well' | 'refused' | 'never'> {
  const state: { is?: 'well' | 'refused' } = {};
  const done = new Promise((resolve) => {
    resolve(act());
  });
  done.then(
    () => (state.is = 'well'),
    (error: unknown) => {
      noteError(to, 'a call', error);
      state.is = 'refused';
    },
  );
  await turn();
  if (state.is === undefined) await turn();
  for (let n = 0, ms = 0; state.is === undefined && ms < LONGEST; n++) {
    const step = pace.step(n);
    pace.tick?.(step);
    await pace.clock.advance(step);
    await turn();
    ms += step;
  }
  if (state.is !== undefined) return state.is;
  to.findings.push(
    `a call was not settled after ${LONGEST / 1000} s of its clock: ${act.toString().slice(0, 80)}`,
  );
  return 'never';
}
