import type { Check, CheckState } from '../../readiness/readiness.js';
import type { CheckGroup } from '../words/words.js';

/** The checks of one cell of the readiness strip. */
export interface GroupView {
  readonly group: CheckGroup;
  readonly checks: readonly Check[];
  /** The worst of them that counts. */
  readonly state: CheckState;
  /** How many are not in order. */
  readonly open: number;
  /** Whether one of these keeps the bench from testing. */
  readonly blocks: boolean;
}

const GROUPS: readonly CheckGroup[] = [
  ...(['instruments', 'references', 'guard', 'stop', 'surroundings', 'rest'] as const),
];

/** How the name of a check begins, by group; what begins otherwise is `rest`. */
const BEGINNINGS: readonly (readonly [string, CheckGroup])[] = [
  ['calibration of', 'instruments'],
  ['warm-up of', 'instruments'],
  ['intermediate check of', 'instruments'],
  ['adapter', 'instruments'],
  ['transducer range', 'instruments'],
  ['stand model', 'instruments'],
  ['reference item', 'references'],
  ['invalid measurements', 'references'],
  ['interlocks', 'guard'],
  ['stop proof', 'stop'],
  ['ambient', 'surroundings'],
  ['supply', 'surroundings'],
  ['humidity', 'surroundings'],
  ['thermometer', 'surroundings'],
  ['hygrometer', 'surroundings'],
];

const BADNESS: readonly CheckState[] = ['ok', 'due soon', 'not run', 'overdue', 'failed'];

/** Whether a check keeps the bench from testing. */
export const isBlocking = (check: Check): boolean => isOpen(check) && check.blocks !== false;

/** Whether something is to be done about a check, now. */
export const isOpen = ({ state }: Check): boolean => state !== 'ok' && state !== 'due soon';

/** Sums the readiness list up for one glance; a group without a check is left out. */
export function grouped(checks: readonly Check[]): readonly GroupView[] {
  return GROUPS.map((group) => viewOf(group, checks)).filter((view) => view.checks.length > 0);
}

function viewOf(group: CheckGroup, all: readonly Check[]): GroupView {
  const checks = all.filter(({ name }) => groupOf(name) === group);
  const worst = Math.max(0, ...checks.map(({ state }) => BADNESS.indexOf(state)));
  const open = checks.filter(isOpen).length;
  return { group, checks, state: BADNESS[worst] ?? 'ok', open, blocks: checks.some(isBlocking) };
}

function groupOf(name: string): CheckGroup {
  return BEGINNINGS.find(([beginning]) => name.startsWith(beginning))?.[1] ?? 'rest';
}

/** What is not in order, what stops the bench first; then what falls due soon. */
export function inOrderOfNeed(checks: readonly Check[]): readonly Check[] {
  const need = (check: Check): number =>
    (isBlocking(check) ? 0 : 10) - BADNESS.indexOf(check.state);
  return checks.filter(({ state }) => state !== 'ok').toSorted((a, b) => need(a) - need(b));
}
