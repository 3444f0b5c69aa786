import { expect, test } from 'vitest';
import { hertz, newtonMetre, torquePerAmpere } from '../../src/base/units.js';
import type { Block } from '../../src/bench/bench.js';
import { torqueMonitor } from '../../src/run/monitor.js';

const device = { updates: 0, missing: 0, time: 0, fault: 0, torqueEnabled: true };

function block(
  torque: readonly number[] | undefined,
  current: readonly number[] | undefined,
): Block {
  const samples = {
    ...(torque === undefined ? {} : { torque: Float32Array.from(torque) }),
    ...(current === undefined ? {} : { current: Float32Array.from(current) }),
  };
  return { start: 0, samples, device };
}

const all = (value: number): number[] => new Array<number>(400).fill(value);
const monitor = (rate = 20_000): ((b: Block) => string | undefined) =>
  torqueMonitor(newtonMetre(12.5), torquePerAmpere(0.6), hertz(rate));

const cases: readonly {
  readonly name: string;
  readonly given: Block;
  readonly cuts: string | undefined;
}[] = [
  { name: '12 N·m by 20 A', given: block(all(12), all(20)), cuts: undefined },
  { name: '24 A, which is 14.4 N·m', given: block(all(12), all(24)), cuts: 'motor current' },
  { name: '−24 A', given: block(all(12), all(-24)), cuts: 'motor current' },
  { name: '14 N·m on the transducer', given: block(all(14), all(20)), cuts: 'transducer' },
  { name: 'NaN for torque', given: block(all(NaN), all(20)), cuts: 'transducer' },
  { name: 'NaN for current', given: block(all(12), all(NaN)), cuts: 'motor current' },
  { name: 'no torque channel', given: block(undefined, all(20)), cuts: 'nobody watches' },
  { name: 'no current channel', given: block(all(12), undefined), cuts: 'nobody watches' },
  { name: 'an empty block', given: block([], []), cuts: 'transducer' },
];

for (const { name, given, cuts } of cases) {
  test(`under a ceiling of 12.5 N·m, ${name} ${cuts === undefined ? 'goes on' : 'cuts power'}`, () => {
    const said = monitor()(given);
    if (cuts === undefined) expect(said).toBeUndefined();
    else expect(said).toContain(cuts);
  });
}

test('ringing of 19 N·m on the transducer about 12 N·m is no excess; a spike of 1 ms neither', () => {
  const ringing = all(12).map((level, i) => level + 7 * Math.sin((2 * Math.PI * 361 * i) / 20_000));
  const spike = all(20).map((level, i) => (i < 20 ? 30 : level));
  expect(monitor()(block(ringing, spike))).toBeUndefined();
});

test('2 ms above the ceiling cut power, also across two blocks', () => {
  const watch = monitor();
  const late = all(20).map((level, i) => (i >= 380 ? 30 : level));
  const early = all(20).map((level, i) => (i < 20 ? 30 : level));
  expect(watch(block(all(12), late))).toBeUndefined();
  expect(watch(block(all(12), early))).toContain('motor current');
});

test('at 1 MS/s an overshoot of 40 µs goes on, and 2 ms above the ceiling cut power', () => {
  const watch = monitor(1_000_000);
  const short = all(20).map((level, i) => (i < 40 ? 30 : level));
  expect(watch(block(all(12), short))).toBeUndefined();
  for (let part = 0; part < 4; part += 1) {
    expect(watch(block(all(12), all(30))), `${400 * (part + 1)} µs`).toBeUndefined();
  }
  expect(watch(block(all(12), all(30)))).toContain('motor current');
});

test('ringing of 19 N·m about 12 N·m is no excess in blocks of 1 ms, and 14 N·m are within 20 ms', () => {
  const watch = monitor();
  const part = (level: number, from: number, swing: number): number[] =>
    Array.from(
      { length: 20 },
      (_, i) => level + swing * Math.sin((2 * Math.PI * 361 * (from + i)) / 20_000),
    );
  for (let from = 0; from < 4000; from += 20) {
    const quiet = new Array<number>(20).fill(20);
    expect(watch(block(part(12, from, 7), quiet))).toBeUndefined();
  }
  let said: string | undefined;
  for (let from = 0; from < 400 && said === undefined; from += 20) {
    said = watch(block(part(14, from, 0), new Array<number>(20).fill(20)));
  }
  expect(said).toContain('transducer');
});
