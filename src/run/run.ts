import { StallmarkError } from '../base/error.js';

/** Where one attempt stands. Only `energized` may carry power. */
export type Run =
  | { readonly state: 'briefed' }
  | { readonly state: 'permitted' }
  | { readonly state: 'energized' }
  | { readonly state: 'captured' }
  | { readonly state: 'decided' }
  | { readonly state: 'certified' }
  | { readonly state: 'recorded' }
  | { readonly state: 'aborted'; readonly from: LiveState; readonly reason: string };

/** States from which a run can still go on. */
export type LiveState = Exclude<Run['state'], 'recorded' | 'aborted'>;

/** What can happen to a run. */
export type RunEvent =
  | { readonly kind: 'permit-issued' }
  | { readonly kind: 'power-applied' }
  | { readonly kind: 'made-safe' }
  | { readonly kind: 'decision-made' }
  | { readonly kind: 'record-sealed' }
  | { readonly kind: 'record-entered' }
  | { readonly kind: 'stopped'; readonly reason: string };

type Forward = Exclude<RunEvent['kind'], 'stopped'>;
type Onward = Exclude<Run['state'], 'aborted'>;

/** Where each event leads; a run that a gate breaks off before power is captured without having had any. */
const NEXT: Readonly<Record<LiveState, Partial<Readonly<Record<Forward, Onward>>>>> = {
  briefed: { 'permit-issued': 'permitted' },
  permitted: { 'power-applied': 'energized', 'made-safe': 'captured' },
  energized: { 'made-safe': 'captured' },
  captured: { 'decision-made': 'decided' },
  decided: { 'record-sealed': 'certified' },
  certified: { 'record-entered': 'recorded' },
};

/**
 * Moves a run on by one event. There is no way back, and one way out.
 *
 * @returns The new state; a recorded or aborted run stays what it is when it is stopped.
 * @throws run/transition when the state does not allow the event: our defect.
 */
export function advance(run: Run, event: RunEvent): Run {
  if (!isLive(run)) {
    if (event.kind === 'stopped') return run;
    throw refused(run, event);
  }
  if (event.kind === 'stopped') return { state: 'aborted', from: run.state, reason: event.reason };
  const state = NEXT[run.state][event.kind];
  if (state === undefined) throw refused(run, event);
  return { state };
}

function isLive(run: Run): run is Extract<Run, { readonly state: LiveState }> {
  return run.state !== 'recorded' && run.state !== 'aborted';
}

/** Whether power may be on in this state. */
export function mayCarryPower(run: Run): boolean {
  return run.state === 'energized';
}

function refused(run: Run, event: RunEvent): StallmarkError {
  const what = `A run that is ${run.state} was told "${event.kind}".`;
  return new StallmarkError([{ code: 'run/transition', what, fix: 'Report this as a defect.' }]);
}
