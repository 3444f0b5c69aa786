import { Worker } from 'node:worker_threads';
import { expect, test } from 'vitest';
import { hertz, second } from '../../src/base/units.js';
import { CHANNELS, type Block } from '../../src/bench/bench.js';
import type { Capture, Screened, Take } from '../../src/capture/capture.js';
import { record } from '../../src/capture/record.js';
import type { Pattern, Stage } from '../../src/procedure/procedure.js';
import { CHARACTERISTICS } from '../../src/scoring/catalogue.js';
import type { Score } from '../../src/scoring/scoring.js';
import { scoreStage } from '../../src/scoring/stage.js';
import { captureOf, context, KT, stageOf, takeOf } from '../support/made-capture.js';
import { lcg, lcgNormal } from '../support/lcg.js';
import { hold, multisine, sine, staircase, step, triangle } from '../support/patterns.js';

const patterns: readonly Pattern[] = [
  hold(2, 2),
  step([-3, 0, 3, 0, -3], { hold: 0.2, repeat: 2 }),
  triangle(2, 0.5, 2),
  staircase(100, sine(2, 2, 2)),
  sine(2, 5, 1.6),
  multisine({ lines: 12, period: second(0.5), periods: 6, draws: 2, from: hertz(2) }),
];

/** A take of a lagging, noisy item at one smoothing. */
function takeAt(pattern: Pattern, smoothing: number): Take {
  const noise = lcgNormal(29 + smoothing);
  const plain = takeOf({ pattern, settings: { smoothing, fixture: 'coupled' } });
  let level = 0;
  const torque = (plain.channels.command ?? new Float32Array(0)).map((v) => {
    level += (v - level) / (20 + 10 * smoothing);
    return level + 0.002 * noise();
  });
  const current = torque.map((v) => v / KT + 0.003 * noise());
  return { ...plain, channels: { ...plain.channels, torque, current } };
}

/** Read from the reports that come with the blocks, one each, so not from the samples alone. */
const OF_BLOCKS = new Set(['clock-skew']);

/** A stage that reads everything that can be read from its pattern, and what it captured. */
interface Captured {
  readonly stage: Stage;
  readonly takes: readonly [Take, Take, Take];
}

const captured: readonly Captured[] = patterns.map((pattern) => {
  const base = stageOf(pattern);
  const takes = [takeAt(pattern, 0), takeAt(pattern, 1), takeAt(pattern, 2)] as const;
  const suited = CHARACTERISTICS.filter(
    (c) => c.from.includes(pattern.kind) && !OF_BLOCKS.has(c.id),
  );
  const reads = suited.map((c) => ({
    characteristic: c.id,
    options: Object.fromEntries(
      Object.entries(c.options).map(([name, option]) => [name, option.default ?? 0.1] as const),
    ),
    where: base.where,
  }));
  const [a, b, c] = takes;
  return {
    stage: { ...base, id: pattern.kind, takes: [a.settings, b.settings, c.settings], reads },
    takes,
  };
});

/** The blocks of a take, each as long as `length` says. */
async function* blocksOf(take: Take, length: () => number): AsyncGenerator<Block> {
  for (let start = 0; start < take.expected;) {
    const end = Math.min(take.expected, start + Math.max(1, Math.floor(length())));
    const samples = Object.fromEntries(
      CHANNELS.flatMap((channel) => {
        const values = take.channels[channel];
        return values === undefined ? [] : [[channel, values.slice(start, end)] as const];
      }),
    );
    const device = { ...take.device, time: end / take.rate, torqueEnabled: true };
    yield await Promise.resolve({ start, samples, device });
    start = end;
  }
}

async function recorded({ takes }: Captured, length: () => number): Promise<Screened<Capture>> {
  const [first, ...more] = await Promise.all(
    takes.map((take) =>
      record(
        blocksOf(take, length),
        { settings: take.settings, rate: take.rate, expected: take.expected },
        () => undefined,
      ),
    ),
  );
  if (first === undefined) throw new Error('no take');
  return captureOf(first, ...more);
}

const scoresOf = (stage: Stage, capture: Screened<Capture>): readonly Score[] =>
  scoreStage(capture, stage, context).scores;

const [wanted, measuredCount] = ((): readonly [readonly (readonly Score[])[], number] => {
  const all = captured.map(({ stage, takes }) => scoresOf(stage, captureOf(...takes)));
  return [all, all.flat().filter(({ outcome }) => outcome.kind === 'measured').length];
})();

test('the captures that are compared have scores', () => {
  expect(measuredCount).toBeGreaterThan(20);
});

const random = lcg(4711);
const splits: readonly (readonly [string, () => number])[] = [
  ['in one block', () => Infinity],
  ['in blocks of 400 samples', () => 400],
  ['in blocks of 4097 samples', () => 4097],
  ['in blocks of 1 to 700 samples', () => 1 + 700 * random()],
];

for (const [how, length] of splits) {
  test(`a capture streamed ${how} gives the same scores to the last bit`, async () => {
    for (const [i, one] of captured.entries()) {
      // Equality of numbers here is that of Object.is, curves included.
      expect(scoresOf(one.stage, await recorded(one, length))).toStrictEqual(wanted[i]);
    }
  });
}

/** Every sample of a take. */
const bytesOf = (take: Take): Buffer =>
  Buffer.concat(Object.values(take.channels).map((x) => Buffer.from(x.slice().buffer)));

test('scored twice, a capture gives the same scores, and is itself left as it was', () => {
  for (const [i, { stage, takes }] of captured.entries()) {
    const before = takes.map(bytesOf);
    expect(scoresOf(stage, captureOf(...takes))).toStrictEqual(wanted[i]);
    expect(takes.every((take, k) => bytesOf(take).equals(before[k] ?? Buffer.of()))).toBe(true);
  }
});

/** What the thread runs: the scoring of this very source, loaded as the tests load it. */
const THREAD = `
  const { parentPort, workerData } = require('node:worker_threads');
  import('tsx/esm/api')
    .then(({ tsImport }) => tsImport(workerData.module, workerData.from))
    .then(({ scoreStage }) => {
      parentPort.on('message', ({ stage, takes, context }) => {
        parentPort.postMessage(scoreStage({ stage: 'made', takes }, stage, context).scores);
      });
      parentPort.postMessage('ready');
    });
`;

test('a capture scored in a thread of its own gives the same scores to the last bit', async () => {
  const module = new URL('../../src/scoring/stage.ts', import.meta.url).href;
  const worker = new Worker(THREAD, { eval: true, workerData: { module, from: import.meta.url } });
  const answer = (): Promise<unknown> =>
    new Promise((resolve, reject) => {
      worker.once('message', resolve);
      worker.once('error', reject);
    });
  try {
    expect(await answer()).toBe('ready');
    for (const [i, { stage, takes }] of captured.entries()) {
      const scored = answer();
      worker.postMessage({ stage, takes, context });
      expect(await scored).toStrictEqual(wanted[i]);
    }
  } finally {
    await worker.terminate();
  }
});
