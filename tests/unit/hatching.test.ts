import { expect, test } from 'vitest';
import { hatching } from '../../src/page/drawn/hatching.js';

const numbersIn = (path: string): readonly (readonly number[])[] =>
  [...path.matchAll(/M(\S+) (\S+)L(\S+) (\S+?)(?=M|$)/gu)].map((m) => m.slice(1).map(Number));

test('strokes stay inside their bar and stand at 45°', () => {
  const strokes = numbersIn(hatching(28.8, 50, 5, 10));
  expect(strokes.length).toBeGreaterThan(4);
  for (const [x1 = 0, y1 = 0, x2 = 0, y2 = 0] of strokes) {
    expect(Math.min(x1, x2)).toBeGreaterThanOrEqual(28.8);
    expect(Math.max(x1, x2)).toBeLessThanOrEqual(50);
    expect(Math.min(y1, y2)).toBeGreaterThanOrEqual(5);
    expect(Math.max(y1, y2)).toBeLessThanOrEqual(15);
    expect(x2 - x1).toBeCloseTo(y1 - y2, 9);
  }
});

test('a bar without width has no stroke', () => {
  expect(hatching(30, 30, 5, 10)).toBe('');
});
