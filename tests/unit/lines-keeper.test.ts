import { expect, test } from 'vitest';
import { LinesKeeper } from '../../src/link/lines-keeper.js';
import { handClock } from '../support/clock.js';

const GOOD = {
  ...({
    guard: 'closed',
    emergencyStop: 'released',
    presence: 'held',
    coupling: 'seated',
  } as const),
};
const OPEN = {
  ...{ guard: 'open', emergencyStop: 'pressed', presence: 'released', coupling: 'loose' },
};

test('lines are told for 200 ms with their age, then read as open', async () => {
  const clock = handClock();
  const lines = new LinesKeeper(clock);
  lines.tell(GOOD, clock.monotonic());
  await clock.advance(200);
  expect(lines.read()).toEqual({ ...GOOD, age: 0.2 });
  await clock.advance(1);
  expect(lines.read()).toEqual({ ...OPEN, age: 0.201 });
});

test('lines that nobody told, or that were forgotten, are open and infinitely old', () => {
  const clock = handClock();
  const lines = new LinesKeeper(clock);
  expect(lines.read()).toEqual({
    ...{ guard: 'open', emergencyStop: 'pressed', presence: 'released', age: Infinity },
  });
  lines.tell(GOOD, 0);
  lines.forget();
  expect(lines.read()).toEqual({ ...OPEN, age: Infinity });
});
