import { expect, test } from 'vitest';
import { unitOf } from '../../src/base/units.js';
import { rowRisk } from '../../src/decision/row-risk.js';
import { decide, isInside } from '../../src/decision/rule.js';
import { DECISION_RULES, type Limit, type Tolerance } from '../../src/procedure/limits.js';
import { budgetOf } from '../support/budget.js';
import { normalDeviates } from '../support/lcg.js';

/** Draws of each rule and tolerance; the issue asks for as many. */
const DRAWS = 1_000_000;
/** Draws that are decided by `decide` itself; the others by the limits it decides with. */
const DECIDED = 20_000;
/** Seeds by JCGM 106 and ILAC-G8, chosen before the first draw. */
const SEEDS = [106, 8] as const;
/** Standard errors between what is stated and what is counted. */
const APART = 3;

/** A process wide enough, and a U great enough, that 10⁶ draws count every kind of mistake often. */
const CASES: readonly { readonly tolerance: Tolerance; readonly mean: number }[] = [
  { tolerance: { kind: 'between', lower: 2, upper: 3 }, mean: 2.6 },
  { tolerance: { kind: 'at-most', upper: 3 }, mean: 2.6 },
];
const DEVIATION = 0.25;
const EXPANDED = 0.2;

for (const [i, { tolerance, mean }] of CASES.entries()) {
  for (const rule of DECISION_RULES) {
    test(`${rule}, ${tolerance.kind}: 10⁶ draws confirm the probabilities of false accept and false reject`, () => {
      const limit: Limit = {
        stage: 'steps',
        characteristic: 'rise-time',
        tolerance,
        unit: unitOf('1'),
        rule,
        process: { mean, deviation: DEVIATION },
        label: 'x',
        where: { file: 'x', line: 1, column: 1 },
      };
      const { acceptances } = rowRisk(limit, budgetOf(0, EXPANDED));
      const zones = acceptances.map(({ accepted }) => {
        if (accepted === undefined) throw new Error('something is left to accept');
        return accepted;
      });
      const accepts = zones.map(() => ({ wrongly: 0, not: 0 }));
      let disagreements = 0;
      const normal = normalDeviates(SEEDS[i] ?? 0);
      for (let n = 0; n < DRAWS; n++) {
        const truth = mean + DEVIATION * normal();
        const value = truth + (EXPANDED / 2) * normal();
        const conforms = isInside(truth, tolerance);
        const inside = zones.map((zone) => isInside(value, zone));
        if (n < DECIDED) {
          const said = acceptedBy(value, limit);
          if (inside.some((is, z) => is !== said[z])) disagreements += 1;
        }
        for (const [z, count] of accepts.entries()) {
          if (inside[z] === true && !conforms) count.wrongly += 1;
          if (inside[z] !== true && conforms) count.not += 1;
        }
      }
      expect(disagreements, 'decided otherwise than by the limits').toBe(0);
      for (const [z, { wrongly, not }] of accepts.entries()) {
        const { falseAccept, falseReject } = acceptances[z]?.drawn ?? {
          falseAccept: NaN,
          falseReject: NaN,
        };
        expect(apart(wrongly, falseAccept), 'false accept').toBeLessThanOrEqual(APART);
        expect(apart(not, falseReject), 'false reject').toBeLessThanOrEqual(APART);
      }
    });
  }
}

/** Whether a value is accepted without a condition, and whether it is at all. */
function acceptedBy(value: number, { tolerance, rule }: Limit): readonly boolean[] {
  const verdict = decide(value, EXPANDED, tolerance, rule);
  const isAccepted = verdict.outcome === 'conforming';
  const isConditional = verdict.outcome === 'conditional' && verdict.side === 'inside';
  return [isAccepted, isAccepted || isConditional];
}

/** How far a count lies from what is expected of a probability, in standard errors of the count. */
function apart(count: number, probability: number): number {
  return Math.abs(count - DRAWS * probability) / Math.sqrt(DRAWS * probability * (1 - probability));
}
