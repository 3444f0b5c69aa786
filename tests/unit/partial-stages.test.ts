import { expect, test } from 'vitest';
import type { GateRequest, Reading, Stage } from '../../src/procedure/procedure.js';
import { stagesPlayed } from '../../src/readiness/partial-stages.js';
import { DEFAULT_FOLDERS, readDocuments } from '../../src/run/documents.js';
import { CHARACTERISTICS, GATES } from '../../src/scoring/catalogue.js';

const shipped = readDocuments(DEFAULT_FOLDERS).procedures.find(
  ({ id, purpose }) => id === 'h12-acceptance' && purpose === 'acceptance',
);
if (shipped === undefined) throw new Error('no procedure is shipped');
const { stages } = shipped;
const every = stages.map(({ id }) => id);

/** Shunt, zero, hands and temperature; hum; direction; return to zero: they speak for the whole run. */
const ALWAYS = ['zero', 'idle', 'polarity', 'close'];
/**
 * Torque constant and friction, which later stages are scored with, and what the hysteresis that is
 * read beside the friction depends on: delays, agreement and resonance.
 */
const TOLD = ['static', 'triangle', 'timing', 'response'];

const cases: readonly (readonly [asked: readonly string[], played: readonly string[]])[] = [
  [[], [...ALWAYS, ...TOLD]],
  [['cogging'], [...ALWAYS, ...TOLD, 'cogging']],
  [['sound'], [...ALWAYS, ...TOLD, 'sound']],
  [
    ['steps-0', 'ripple'],
    [...ALWAYS, ...TOLD, 'steps-0', 'ripple'],
  ],
  [['response'], [...ALWAYS, ...TOLD]],
  [
    ['loss', 'nothing like it'],
    [...ALWAYS, ...TOLD, 'loss'],
  ],
  [every, every],
];

for (const [asked, played] of cases) {
  test(`a retest of ${asked.length > 3 ? 'all stages' : asked.join(', ') || 'nothing'}`, () => {
    const found = stagesPlayed(asked, stages);
    expect(found).toEqual(every.filter((id) => played.includes(id)));
  });
}

const where = { file: 'x.yaml', line: 1, column: 1 };
const gate = (id: string): GateRequest => ({ gate: id, options: {}, where });
const reading = (id: string): Reading => ({ characteristic: id, options: {}, where });
const stage = (id: string, over: Partial<Stage> = {}): Stage => {
  const [like] = stages;
  return {
    ...like,
    id,
    power: 'on',
    takes: [{ smoothing: 0, fixture: 'coupled' }],
    reads: [],
    gates: [],
    ...over,
  };
};

test('every gate that stops a run or voids all of it is played whatever is asked', () => {
  const made = GATES.map(({ id }) => stage(id, { gates: [gate(id)] }));
  const guards = GATES.filter(({ stops, reach }) => stops || reach === 'run').map(({ id }) => id);
  expect(guards.length).toBeGreaterThan(5);
  expect(stagesPlayed([], made)).toEqual(guards);
});

test('every gate on which a characteristic depends is played with it, and no other', () => {
  const own = GATES.filter(({ stops, reach }) => !stops && reach !== 'run');
  const made = own.map(({ id }) => stage(`gate-${id}`, { gates: [gate(id)] }));
  for (const { id, gates } of CHARACTERISTICS) {
    const asked = stage('asked', { reads: [reading(id)] });
    const found = stagesPlayed(['asked'], [...made, asked]);
    expect(found, id).toEqual([
      ...own
        .map((g) => g.id)
        .filter((g) => gates.includes(g))
        .map((g) => `gate-${g}`),
      'asked',
    ]);
  }
});

test('a stage that was needed only for its gate brings what it needs itself', () => {
  const made = [
    stage('constant', { reads: [reading('torque-constant')] }),
    stage('delays', { gates: [gate('timing')] }),
    stage('lines', {
      reads: [reading('bandwidth')],
      gates: [gate('agreement'), gate('resonance')],
    }),
    stage('after', { reads: [reading('static-friction')] }),
  ];
  expect(stagesPlayed(['lines'], made)).toEqual(['constant', 'delays', 'lines']);
  // What comes after the last stage that is judged tells nobody anything.
  expect(stagesPlayed(['after'], made)).toEqual(['constant', 'after']);
});

test('a gate that nobody knows is judged', () => {
  expect(stagesPlayed([], [stage('odd', { gates: [gate('of-tomorrow')] })])).toEqual(['odd']);
});
