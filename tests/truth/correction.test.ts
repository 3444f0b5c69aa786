import { expect, test } from 'vitest';
import type { Capture } from '../../src/capture/capture.js';
import { corrected, responseOf, type Correction } from '../../src/readiness/correction.js';
import { stageJudge, type StageJudge } from '../../src/run/open-scorer.js';
import { isNonEmpty, type NonEmpty } from '../../src/base/numbers.js';
import type { Stage } from '../../src/procedure/procedure.js';
import { CHARACTERISTICS } from '../../src/scoring/catalogue.js';
import { expandedFor } from '../../src/scoring/budget.js';
import type { Score } from '../../src/scoring/scoring.js';
import { runItem, shippedDocuments, type RunDocuments } from '../support/simulated-run.js';

const SERIAL = 'H12-26-00017';

/** Gains of one per cent and offsets well above noise, none of which clips or closes a screen. */
const CORRECTIONS = [
  { quantity: 'torque', correction: { kind: 'gain', factor: 0.99 } },
  { quantity: 'torque', correction: { kind: 'offset', value: 0.02 } },
  { quantity: 'current', correction: { kind: 'gain', factor: 0.99 } },
  { quantity: 'current', correction: { kind: 'offset', value: 0.03 } },
] as const satisfies readonly { quantity: 'torque' | 'current'; correction: Correction }[];

const captures: Capture[] = [];
const checked = new Set<string>();
const keyOf = ({ stage, characteristic }: Score): string => `${stage}.${characteristic}`;

const shipped = shippedDocuments();
const read = new Set(
  shipped.procedure.stages.flatMap(({ reads }) => reads.map((one) => one.characteristic)),
);

function readingMore(stage: Stage): Stage {
  const more = CHARACTERISTICS.filter(
    ({ id, from, power, takes, options }) =>
      !read.has(id) &&
      from.includes(stage.pattern.kind) &&
      (power === 'either' || power === stage.power) &&
      takes <= stage.takes.length &&
      Object.values(options).every((one) => one.default !== undefined),
  );
  const { where } = stage;
  const added = more.map(({ id }) => ({ characteristic: id, options: {}, dimensions: {}, where }));
  return { ...stage, reads: [...stage.reads, ...added] };
}

function mapped<T>([first, ...rest]: NonEmpty<T>, change: (one: T) => T): NonEmpty<T> {
  return [change(first), ...rest.map(change)];
}

/** Every stage also yields what its pattern allows to be read without options of its own. */
const documents: RunDocuments = {
  ...shipped,
  procedure: { ...shipped.procedure, stages: mapped(shipped.procedure.stages, readingMore) },
};
/** The capture as a right instrument would have taken it. */
function rightly(
  capture: Capture,
  quantity: 'torque' | 'current',
  correction: Correction,
): Capture {
  const change = (v: number): number =>
    correction.kind === 'gain' ? v * correction.factor : v + correction.value;
  const takes = capture.takes.map((take) => {
    const samples = take.channels[quantity];
    if (samples === undefined) return take;
    return { ...take, channels: { ...take.channels, [quantity]: samples.map(change) } };
  });
  if (!isNonEmpty(takes)) throw new Error('a capture has takes');
  return { ...capture, takes };
}

interface Judged extends Score {
  /** Where the torque constant came from when the stage was scored. */
  readonly torqueConstant: 'measured' | 'nominal';
}

const judgeAll = (judge: StageJudge, change: (capture: Capture) => Capture): readonly Judged[] =>
  captures.flatMap((capture) => {
    const torqueConstant = judge.torqueConstant.origin;
    return judge.judge(change(capture)).scores.map((score) => ({ ...score, torqueConstant }));
  });

test('an item is run once and its captures are kept', async () => {
  await runItem(documents, { serial: SERIAL, keep: (capture) => captures.push(capture) });
  expect(captures).toHaveLength(documents.procedure.stages.length);
});

/** U is stated to two digits, so a hundredth of it cannot be seen; rounding of samples where none is stated. */
function allowance(score: Score, value: number): number {
  const stated = documents.station.uncertainty.get(score.characteristic);
  return stated === undefined ? 1e-6 * Math.abs(value) : expandedFor(value, stated) / 100;
}

for (const { quantity, correction } of CORRECTIONS) {
  test(`under a ${correction.kind} on ${quantity} every value is what scoring the corrected capture gives`, () => {
    const before = judgeAll(stageJudge(documents), (capture) => capture);
    const after = judgeAll(stageJudge(documents), (c) => rightly(c, quantity, correction));
    expect(after).toHaveLength(before.length);
    const told = before.flatMap((score, i): readonly string[] => {
      if (score.outcome.kind !== 'measured') return [];
      const { value, bound } = score.outcome;
      const from = { ...score, isBound: bound === 'at-least', isZeroed: true };
      const response = responseOf(from, quantity, correction.kind);
      const foretold = corrected(value, response, correction);
      if (foretold === undefined) return [];
      const again = after[i];
      if (again?.outcome.kind !== 'measured') return [`${keyOf(score)} has no value any more`];
      checked.add(score.characteristic);
      if (Math.abs(foretold - again.outcome.value) <= allowance(score, value)) return [];
      return [
        `${keyOf(score)} (${response}) was ${value}, foretold ${foretold}, scored ${again.outcome.value}`,
      ];
    });
    expect(told).toEqual([]);
  });
}

test('every characteristic of the table was held against its foretold value, and one without a place in it is never foretold', () => {
  const ids = CHARACTERISTICS.map(({ id }) => id);
  for (const characteristic of ids.filter((id) => !checked.has(id))) {
    const from = { characteristic, side: 'shaft', torqueConstant: 'measured' } as const;
    const more = { isBound: false, isZeroed: true };
    expect(responseOf({ ...from, ...more }, 'torque', 'gain'), characteristic).toBe('score again');
  }
  expect(documents.limits.rows.filter((row) => !checked.has(row.characteristic))).toEqual([]);
});
