import { expect, test } from 'vitest';
import {
  COMPONENTS,
  componentProblems,
  scopeProblems,
  touches,
} from '../../src/readiness/rework-scope.js';
import { CHARACTERISTICS } from '../../src/scoring/catalogue.js';
import { shippedDocuments } from '../support/simulated-run.js';

const { procedure } = shippedDocuments();
const ids = procedure.stages.map(({ id }) => id);
const without = (...left: readonly string[]): readonly string[] =>
  ids.filter((id) => !left.includes(id));

const cells: readonly (readonly [component: string, characteristic: string, touched: boolean])[] = [
  ['motor', 'missing-updates', true],
  ['motor', 'sound-level', true],
  ['encoder', 'torque-constant', true],
  ['encoder', 'ripple', true],
  ['encoder', 'cogging', false],
  ['encoder', 'missing-updates', false],
  ['bearings', 'static-friction', true],
  ['bearings', 'torque-constant', true],
  ['bearings', 'update-jitter', false],
  ['signal cable', 'missing-updates', true],
  ['signal cable', 'supply-sag', false],
  ['cover', 'sound-level', true],
  ['cover', 'winding-rise', true],
  ['cover', 'torque-constant', false],
  ['label', 'torque-constant', false],
  ['something else', 'missing-updates', true],
];

for (const [component, characteristic, touched] of cells) {
  test(`a new ${component} ${touched ? 'touches' : 'leaves'} ${characteristic}`, () => {
    expect(touches(component, characteristic)).toBe(touched);
  });
}

test('a characteristic that is not in the table is touched by all but cover and label', () => {
  const all = COMPONENTS.filter((component) => touches(component, 'of-tomorrow'));
  expect(COMPONENTS.filter((c) => !all.includes(c))).toEqual(['cover', 'label']);
});

test('every name in the table is one of the catalogue', () => {
  const known = CHARACTERISTICS.map(({ id }) => id);
  const told = COMPONENTS.flatMap((c) => known.filter((id) => touches(c, id) !== touches(c, 'x')));
  // PASSIVE, LINK, SUPPLY, SOUND and HEAT hold 2 + 5 + 3 + 2 + 3 names, and each is told apart somewhere.
  expect(new Set(told).size).toBe(15);
});

test('a full retest, and a partial one that leaves out only what was not touched, are allowed', () => {
  expect(scopeProblems({ kind: 'full' }, ['motor'], procedure)).toEqual([]);
  const stages = without('cogging');
  expect(scopeProblems({ kind: 'stages', stages }, ['encoder'], procedure)).toEqual([]);
  expect(scopeProblems({ kind: 'stages', stages: [] }, ['label'], procedure)).toEqual([]);
});

test('a partial retest that leaves out what the rework touched is refused with the stages', () => {
  const stages = without('cogging', 'peak');
  const found = scopeProblems({ kind: 'stages', stages }, ['encoder'], procedure);
  expect(found.map((p) => p.code)).toEqual(['serial/state']);
  expect(found[0]?.what).toMatch(
    /^The encoder was replaced, which touches peak\.peak-torque, peak\.torque-constant-droop, but the retest leaves them out\.$/u,
  );
  expect(found[0]?.fix).toBe('Test in full, or add the stages peak.');
  const motor = scopeProblems({ kind: 'stages', stages }, ['motor'], procedure);
  expect(motor[0]?.fix).toBe('Test in full, or add the stages cogging, peak.');
});

test('a stage that is played because others depend on it is not left out', () => {
  const stages = without('cogging', 'static', 'zero', 'timing');
  expect(scopeProblems({ kind: 'stages', stages }, ['encoder'], procedure)).toEqual([]);
});

test('every component that was replaced is told by itself', () => {
  const scope = { kind: 'stages', stages: ['smoothing'] } as const;
  const found = scopeProblems(scope, ['cover', 'label', 'supply cable'], procedure);
  expect(found.map(({ what }) => what.slice(0, 16))).toEqual([
    'The cover was re',
    'The supply cable',
  ]);
  expect(found[0]?.fix).toBe('Test in full, or add the stages sound, thermal.');
});

test('a stage that the procedure does not have is refused', () => {
  const scope = { kind: 'stages', stages: [...ids, 'sttic'] } as const;
  const found = scopeProblems(scope, ['motor'], procedure);
  expect(found.map((p) => p.fix)).toEqual(['Write "static".']);
});

test('components are named as the table names them', () => {
  expect(componentProblems(['motor', 'cover'])).toEqual([]);
  const [found] = componentProblems(['moter']);
  expect(found?.fix).toBe('Write "motor".');
});
