import { expect, test } from 'vitest';
import { ROLES, type Role } from '../../src/people/people.js';
import {
  ITEM_EVENTS,
  ITEM_STATES,
  moveProblems,
  stateAfter,
  TRANSITIONS,
  type AttemptEnd,
  type ItemEvent,
  type ItemState,
  type Need,
  type Statement,
} from '../../src/readiness/disposition.js';

/** Who may, by letter: Operator, Maintenance, Quality engineer; nobody else, and an auditor never. */
const LETTERS: Readonly<Record<string, Role>> = {
  O: 'operator',
  M: 'maintenance',
  Q: 'quality engineer',
};

// begin, rework, reworked, release, audit, quarantine, scrap, concede
const CELLS: Readonly<
  Record<ItemState, readonly [string, string, string, string, string, string, string, string]>
> = {
  awaiting: ['OQ', '-', '-', '-', '-', 'OMQ', '-', '-'],
  'in test': ['-', '-', '-', '-', '-', '-', '-', '-'],
  accepted: ['-', '-', '-', 'Q', 'Q', 'OMQ', '-', '-'],
  rejected: ['-', 'Q', '-', 'Q', '-', 'OMQ', 'Q', 'Q'],
  held: ['-', 'Q', '-', 'Q', '-', 'OMQ', 'Q', 'Q'],
  'to be repeated': ['OQ', 'Q', '-', 'Q', '-', 'OMQ', 'Q', '-'],
  'in rework': ['-', '-', 'MQ', '-', '-', 'OMQ', 'Q', '-'],
  'released for retest': ['OQ', 'Q', '-', 'Q', '-', 'OMQ', 'Q', '-'],
  quarantined: ['-', 'Q', '-', 'Q', '-', '-', 'Q', '-'],
  scrapped: ['-', '-', '-', '-', '-', '-', '-', '-'],
  'accepted by concession': ['-', '-', '-', 'Q', '-', 'OMQ', '-', '-'],
};

const LEADS: Readonly<Record<ItemEvent, readonly [to: ItemState, needs: readonly Need[]]>> = {
  begin: ['in test', []],
  rework: ['in rework', ['why']],
  reworked: ['released for retest', ['why', 'rework record']],
  release: ['released for retest', ['why']],
  audit: ['released for retest', ['why']],
  quarantine: ['quarantined', ['why']],
  scrap: ['scrapped', ['why']],
  concede: ['accepted by concession', ['why', 'signature']],
};

const FULL: Statement = {
  why: 'magnets replaced after a drop',
  rework: { replaced: ['motor'], by: 'A. Fitter' },
  signature: 'entry 41',
};

for (const state of ITEM_STATES) {
  ITEM_EVENTS.forEach((event, i) => {
    const cell = CELLS[state][i] ?? '';
    const allowed = Array.from(cell === '-' ? '' : cell, (letter) => LETTERS[letter]);
    for (const role of ROLES) {
      const mayDo = allowed.includes(role);
      test(`${state}, "${event}" by ${role}: ${mayDo ? LEADS[event][0] : 'refused'}`, () => {
        const actor = { by: 'P. Person', roles: [role] };
        const found = moveProblems({ serial: 'H12-26-04711', state }, event, actor, FULL);
        const refusal = cell === '-' ? 'serial/state' : 'people/role';
        expect(found.map((p) => p.code)).toEqual(mayDo ? [] : [refusal]);
        if (mayDo) expect(TRANSITIONS[state][event]?.to).toBe(LEADS[event][0]);
      });
    }
  });
}

test('the table has a row for every state and a cell for every event', () => {
  expect(Object.keys(CELLS)).toEqual([...ITEM_STATES]);
  expect(Object.keys(LEADS)).toEqual([...ITEM_EVENTS]);
  expect(new Set(ROLES)).toEqual(new Set([...Object.values(LETTERS), 'auditor']));
});

const LACKS: readonly (readonly [Need, Statement])[] = [
  ['why', { ...FULL, why: ' ' }],
  ['rework record', { why: FULL.why, signature: 'entry 41' }],
  ['rework record', { ...FULL, rework: { replaced: [], by: 'A. Fitter' } }],
  ['rework record', { ...FULL, rework: { replaced: ['motor'], by: ' ' } }],
  ['signature', { why: FULL.why, rework: { replaced: ['motor'], by: 'A. Fitter' } }],
  ['signature', { ...FULL, signature: '' }],
];

for (const event of ITEM_EVENTS) {
  const state = ITEM_STATES.find((one) => TRANSITIONS[one][event] !== undefined) ?? 'scrapped';
  LACKS.forEach(([need, statement], i) => {
    const isNeeded = LEADS[event][1].includes(need);
    test(`"${event}" without ${need} (${i}): ${isNeeded ? 'refused' : 'allowed'}`, () => {
      const actor = { by: 'Q. Engineer', roles: ['quality engineer'] as const };
      const found = moveProblems({ serial: 'H12-26-04711', state }, event, actor, statement);
      expect(found.map((p) => p.code)).toEqual(isNeeded ? ['usage/argument'] : []);
    });
  });
}

test('a person in two roles may do what one of them may; without any role nothing is done', () => {
  const item = { serial: 'H12-26-04711', state: 'rejected' } as const;
  const both = { by: 'P. Person', roles: ['auditor', 'quality engineer'] as const };
  expect(moveProblems(item, 'scrap', both, FULL)).toEqual([]);
  const nobody = moveProblems(item, 'scrap', { by: 'P. Person', roles: [] }, { why: '' });
  expect(nobody.map((p) => p.code)).toEqual(['people/role', 'usage/argument']);
  expect(nobody[0]?.what).toBe(
    '"scrap" of an item that is rejected takes a quality engineer, but P. Person is: none.',
  );
});

test('a refusal says what may be done from there and by whom', () => {
  const actor = { by: 'Q. Engineer', roles: ['quality engineer'] as const };
  const [found] = moveProblems({ serial: 'H12-26-04711', state: 'accepted' }, 'scrap', actor, FULL);
  expect(found?.what).toBe('Item H12-26-04711 is accepted: "scrap" does not lead on from there.');
  expect(found?.fix).toBe(
    'Do one of: release (quality engineer); audit (quality engineer); quarantine (operator, maintenance, quality engineer).',
  );
});

const ends: readonly (readonly [AttemptEnd, isLast: boolean, ItemState])[] = [
  ['accepted', false, 'accepted'],
  ['accepted', true, 'accepted'],
  ['rejected', false, 'rejected'],
  ['rejected', true, 'rejected'],
  ['undecided', false, 'held'],
  ['undecided', true, 'held'],
  ['no measurement', false, 'to be repeated'],
  ['no measurement', true, 'quarantined'],
];

for (const [end, isLast, state] of ends) {
  test(`an attempt that ends ${end}${isLast ? ', the last allowed,' : ''} leads to ${state}`, () => {
    expect(stateAfter(end, isLast)).toBe(state);
  });
}

/** States that can be reached from one by people in some roles, the bench ending its attempts as it likes. */
function reachable(from: ItemState, roles: readonly Role[]): ReadonlySet<ItemState> {
  const found = new Set<ItemState>([from]);
  for (const state of found) {
    for (const { to, by } of Object.values(TRANSITIONS[state])) {
      if (by.some((role) => roles.includes(role))) found.add(to);
    }
    if (state !== 'in test') continue;
    for (const [end, isLast] of ends) found.add(stateAfter(end, isLast));
  }
  return found;
}

const others: readonly Role[] = ROLES.filter((role) => role !== 'quality engineer');
for (const state of ['accepted', 'rejected', 'held', 'quarantined', 'scrapped'] as const) {
  test(`best of several: from ${state} nobody but a quality engineer leads back to a test`, () => {
    expect(reachable(state, others).has('in test')).toBe(false);
    expect(reachable(state, ROLES).has('in test')).toBe(state !== 'scrapped');
  });
}

test('every state can be reached from an item that was never tested', () => {
  expect([...reachable('awaiting', ROLES)].sort()).toEqual([...ITEM_STATES].sort());
});
