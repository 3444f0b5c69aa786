import { expect, test } from 'vitest';
import {
  isPress,
  LEAST_PRESS,
  NOT_PRESSED,
  shareHeld,
  touched,
  type Press,
  type Touch,
} from '../../src/page/operator/press.js';

const down = (at: number, more: Partial<Touch & { kind: 'key-down' }> = {}): Touch => ({
  ...{ kind: 'key-down', key: ' ', repeat: false, at },
  ...more,
});
const up = (at: number, key = ' '): Touch => ({ kind: 'key-up', key, at });

/** Plays touches and gathers how long each press lasted. */
function played(touches: readonly Touch[]): { press: Press; lasted: readonly number[] } {
  let press = NOT_PRESSED;
  const lasted: number[] = [];
  for (const touch of touches) {
    const after = touched(press, touch);
    press = after.press;
    if (after.heldFor !== undefined) lasted.push(after.heldFor);
  }
  return { press, lasted };
}

const rows: readonly (readonly [string, readonly Touch[], readonly number[], Press['kind']])[] = [
  ['the space bar, down and up', [down(0), up(100)], [100], 'none'],
  [
    'a pointer, down and up',
    [
      { kind: 'pointer-down', at: 0 },
      { kind: 'pointer-up', at: 30 },
    ],
    [30],
    'none',
  ],
  ['Enter, which scanners send', [down(0, { key: 'Enter' }), up(500, 'Enter')], [], 'none'],
  [
    'a key held since before the button had focus',
    [down(0, { repeat: true }), down(30, { repeat: true }), up(3000)],
    [],
    'none',
  ],
  [
    'repeats of a press keep its beginning',
    [down(0), down(500, { repeat: true }), down(530, { repeat: true }), up(2100)],
    [2100],
    'none',
  ],
  ['another key ends the press', [down(0), down(900, { key: 'x' }), up(2100)], [], 'none'],
  [
    'Enter while the space bar is down ends it',
    [down(0), down(900, { key: 'Enter' }), up(2100)],
    [],
    'none',
  ],
  [
    'a second way of pressing ends the first',
    [down(0), { kind: 'pointer-down', at: 500 }, up(2100)],
    [],
    'none',
  ],
  [
    'the pointer leaves',
    [{ kind: 'pointer-down', at: 0 }, { kind: 'away' }, { kind: 'pointer-up', at: 2100 }],
    [],
    'none',
  ],
  ['a scanner is heard', [down(0), { kind: 'away' }, up(2100)], [], 'none'],
  ['a key that goes up without having come down', [up(2100)], [], 'none'],
  ['another key that goes up', [down(0), up(50, 'Shift')], [], 'down'],
];

for (const [what, touches, lasted, kind] of rows) {
  test(`press: ${what}`, () => {
    const after = played(touches);
    expect(after.lasted).toEqual(lasted);
    expect(after.press.kind).toBe(kind);
  });
}

test('a key counts from 80 ms on, a pointer at once', () => {
  expect(LEAST_PRESS).toBe(80);
  expect([79, 80].map((ms) => isPress('key', ms))).toEqual([false, true]);
  expect(isPress('pointer', 1)).toBe(true);
});

test('the share of a press goes from 0 to 1 and no further', () => {
  const press: Press = { kind: 'down', by: 'key', since: 1000 };
  expect([900, 1000, 2000, 3000, 9000].map((now) => shareHeld(press, now, 2000))).toEqual([
    ...[0, 0, 0.5, 1, 1],
  ]);
  expect(shareHeld(NOT_PRESSED, 5000, 2000)).toBe(0);
});
