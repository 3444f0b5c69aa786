import fc from 'fast-check';
import { expect, test } from 'vitest';
import { hertz, newtonMetre, second } from '../../src/base/units.js';
import { chooseBins, multisineOf } from '../../src/pattern/multisine.js';
import { seeded } from '../../src/pattern/random.js';
import { underlying } from '../../src/pattern/shapes.js';
import { multisine } from '../support/patterns.js';

test('75 lines in 1 … 200 Hz: all of the low ones, then a third of an octave has about as many as the next', () => {
  const bins = chooseBins(multisine());
  expect(bins).toHaveLength(75);
  expect(bins.slice(0, 30)).toEqual(Array.from({ length: 30 }, (_, i) => i + 1));
  const ratios = bins.slice(1).map((bin, i) => bin / (bins[i] ?? NaN));
  expect(Math.max(...ratios.slice(45))).toBeLessThan(1.07);
  const within = (from: number, to: number): number =>
    bins.filter((bin) => bin >= from && bin < to).length;
  expect(Math.abs(within(63, 100) - within(100, 159))).toBeLessThanOrEqual(2);
});

test('lines between two multiples of 1/period empty both neighbours', () => {
  const bins = chooseBins(
    multisine({ period: second(0.3), lines: 60, avoid: [hertz(45)], from: hertz(3) }),
  );
  // 45 Hz is 13.5 multiples of 1/0.3 Hz, 90 Hz is 27 of them.
  expect(bins.filter((bin) => [13, 14, 27, 40, 41].includes(bin))).toEqual([]);
  expect(bins).toContain(26);
});

test('a range with fewer free multiples than lines gives those there are', () => {
  const bins = chooseBins(multisine({ from: hertz(48), to: hertz(52), lines: 10 }));
  expect(bins).toEqual([48, 49, 51, 52]);
  expect(multisineOf(multisine({ from: hertz(50), to: hertz(50), lines: 1 })).lines).toEqual([]);
});

test('the same seed gives the same angles, another seed others', () => {
  const angles = (seed: number): number[] =>
    multisineOf(multisine({ seed })).lines.map((line) => line.angle);
  expect(angles(5)).toEqual(angles(5));
  expect(angles(5)).not.toEqual(angles(6));
});

test('more draws never raise the crest factor, and it is the crest of what is played', () => {
  const crests = [1, 5, 20, 60].map((draws) => multisineOf(multisine({ draws })).crest);
  expect(crests).toEqual(crests.toSorted((a, b) => b - a));
  const pattern = multisine({ periods: 1 });
  const peak = underlying(pattern, 20_000).reduce((most, v) => Math.max(most, Math.abs(v)), 0);
  expect(peak / pattern.rms / multisineOf(pattern).crest).toBeCloseTo(1, 2);
});

test('the slew it states is the steepest slope of what is played', () => {
  const pattern = multisine({ periods: 1 });
  const samples = underlying(pattern, 20_000);
  const steepest = samples.reduce(
    (most, v, i) => Math.max(most, Math.abs(v - (samples[i - 1] ?? v)) * 20_000),
    0,
  );
  expect(steepest / multisineOf(pattern).slew).toBeCloseTo(1, 2);
});

test('whatever is asked, lines rise, keep inside the range, avoid what they must, and rms is exact', () => {
  const asked = fc.record({
    from: fc.integer({ min: 1, max: 50 }),
    span: fc.integer({ min: 1, max: 150 }),
    lines: fc.integer({ min: 1, max: 80 }),
    period: fc.constantFrom(0.5, 1, 2),
    avoid: fc.array(fc.constantFrom(10, 16, 24, 50, 60), { maxLength: 3 }), // on every grid above
  });
  fc.assert(
    fc.property(asked, ({ from, span, lines, period, avoid }) => {
      const pattern = multisine({
        from: hertz(from),
        to: hertz(from + span),
        lines,
        period: second(period),
        avoid: avoid.map(hertz),
        draws: 1,
        rms: newtonMetre(0.5),
      });
      const found = multisineOf(pattern).lines;
      const free = freeMultiples(from, from + span, period, avoid);
      expect(found).toHaveLength(Math.min(lines, free));
      found.forEach((line, i) => {
        expect(line.bin).toBeGreaterThan(found[i - 1]?.bin ?? 0);
        expect(line.frequency).toBeGreaterThanOrEqual(from - 1e-9);
        expect(line.frequency).toBeLessThanOrEqual(from + span + 1e-9);
        for (const mains of avoid) expect(line.frequency % mains).not.toBe(0);
      });
      const power = found.reduce((sum, line) => sum + line.amplitude ** 2 / 2, 0);
      if (free > 0) expect(Math.sqrt(power)).toBeCloseTo(0.5, 12);
    }),
    { seed: 11, numRuns: 200 },
  );
});

function freeMultiples(from: number, to: number, period: number, avoid: number[]): number {
  let free = 0;
  for (let bin = Math.ceil(from * period); bin <= to * period; bin++) {
    if (!avoid.some((mains) => (bin / period) % mains === 0)) free += 1;
  }
  return free;
}

test('the generator equals the same steps in unbounded integers, and is even', () => {
  const mask = 0xffffffffn;
  const reference = (seed: bigint) => {
    let state = seed & mask;
    return (): number => {
      state = (state + 0x6d2b79f5n) & mask;
      let word = ((state ^ (state >> 15n)) * (state | 1n)) & mask;
      word ^= (word + (((word ^ (word >> 7n)) * (word | 61n)) & mask)) & mask;
      return Number((word ^ (word >> 14n)) & mask) / 2 ** 32;
    };
  };
  for (const seed of [0, 1, 4711, -3]) {
    const [ours, theirs] = [seeded(seed), reference(BigInt(seed))];
    for (let i = 0; i < 50; i++) expect(ours()).toBe(theirs());
  }
  const random = seeded(1);
  const counts = new Array<number>(10).fill(0);
  for (let i = 0; i < 10_000; i++) {
    const bin = Math.floor(10 * random());
    counts[bin] = (counts[bin] ?? 0) + 1;
  }
  const chi = counts.reduce((sum, n) => sum + (n - 1000) ** 2 / 1000, 0);
  expect(chi).toBeLessThan(27.9); // 0.1 % point of chi-squared with 9 degrees of freedom
});
