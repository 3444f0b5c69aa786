import { expect, test } from 'vitest';
import { Fall, type Resting } from '../../src/emulator/fall.js';

/** Looks at torque that falls, one look each 0.5 ms; the clock says the number of the look. */
function looked(ceiling: number, motor: (look: number) => number, shaft = motor) {
  let look = 0;
  const fall = new Fall(ceiling, () => BigInt(look));
  const found: { what: Resting; at: bigint; after: number; look: number }[] = [];
  for (; !fall.isOver; look += 1) {
    for (const one of fall.look(motor(look), shaft(look))) found.push({ ...one, look });
  }
  return { found, looks: look };
}

test('motor and shaft are at rest from their first look within 0.1 N·m, told 10 ms later', () => {
  const { found } = looked(
    12,
    (look) => 6 - 3 * look,
    (look) => (look < 8 ? 1 : 0.09),
  );
  expect(found).toEqual([{ what: 'shaft-zero', at: 8n, after: 0.004, look: 28 }]);
  const { found: both } = looked(
    12,
    (look) => Math.max(0, 6 - 3 * look),
    (look) => (look < 8 ? 1 : 0.09),
  );
  expect(both.map(({ what, after }) => [what, after])).toEqual([
    ['zero', 0.001],
    ['shaft-zero', 0.004],
  ]);
});

test('a shaft that swings back is at rest only after its last swing', () => {
  const { found } = looked(
    12,
    () => 0,
    (look) => 2 * Math.exp(-look / 20) * Math.cos(look / 2),
  );
  const last = Math.max(
    ...Array.from({ length: 200 }, (_, look) =>
      Math.abs(2 * Math.exp(-look / 20) * Math.cos(look / 2)) > 0.1 ? look : 0,
    ),
  );
  expect(found.find(({ what }) => what === 'shaft-zero')?.at).toBe(BigInt(last + 1));
});

test.each([
  [12, 0.1],
  [1, 0.05],
])('with a ceiling of %d N·m the limit is %d N·m', (ceiling, limit) => {
  expect(looked(ceiling, () => limit).found.length).toBe(2);
  expect(looked(ceiling, () => limit + 1e-9).found.length).toBe(0);
});

test('torque that stays, or is no number, is given up after 1 s', () => {
  expect(looked(12, () => 1)).toEqual({ found: [], looks: 2000 });
  expect(looked(12, () => NaN)).toEqual({ found: [], looks: 2000 });
});
