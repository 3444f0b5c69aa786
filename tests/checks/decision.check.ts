import { expect, test } from 'vitest';
import {
  capabilityIndex,
  conformanceProbability,
  globalRisks,
  guardBandMultiplier,
  specificRisk,
} from '../../src/decision/risk.js';
import { acceptanceZone, decide } from '../../src/decision/rule.js';
import type { DecisionRule, Tolerance } from '../../src/procedure/limits.js';
import rows from './decision.json' with { type: 'json' };

function near(found: number | undefined, expected: number | undefined, abs: number): void {
  if (found === undefined || expected === undefined) throw new Error('nothing to compare');
  expect(Math.abs(found - expected)).toBeLessThanOrEqual(abs);
}

function between(ends: readonly number[]): Extract<Tolerance, { kind: 'between' }> {
  const [lower, upper] = ends;
  if (lower === undefined || upper === undefined) throw new Error('a tolerance has two ends');
  return { kind: 'between', lower, upper };
}

const upTo0 = { kind: 'at-most', upper: 0 } as const;

test('G-10 a measured −5.47 against at most −5.40 with u = 0.05 conforms with 0.9192', () => {
  const { inputs, expected, tolerance } = rows['G-10'];
  const limit = { kind: 'at-most', upper: inputs.T_U } as const;
  near(conformanceProbability(inputs.y, inputs.u, limit), expected.pc, tolerance.abs);
});

test('G-11 conformance probability in a tolerance with two ends', () => {
  const { inputs, expected, tolerance } = rows['G-11'];
  expect(inputs.y.length).toBe(expected.pc.length);
  for (const [i, y] of inputs.y.entries()) {
    const zone = between(inputs.T);
    near(conformanceProbability(y, inputs.u, zone), expected.pc[i], tolerance.abs);
    near(specificRisk(y, inputs.u, zone), 1 - (expected.pc[i] ?? NaN), tolerance.abs);
  }
});

test('G-13 risk of a value on the acceptance limit, w = r U', () => {
  const { inputs, expected, tolerance } = rows['G-13'];
  expect(inputs.r.length).toBe(expected.PFA.length);
  for (const [i, r] of inputs.r.entries()) {
    const risk = specificRisk(-r * inputs.k, 1, upTo0);
    near(risk, expected.PFA[i], tolerance.abs);
    // 1e-9 is more than the last value of the row, so the tail is held to its digits as well. They
    // are those of 1 − Φ(6): next to 1 the numbers of binary64 lie 1.1e-16 apart.
    near(risk, expected.PFA[i], 1.2e-16);
  }
});

test('G-14 guard band for a chosen conformance probability', () => {
  const { inputs, expected, tolerance } = rows['G-14'];
  expect(inputs.pc.length).toBe(expected.r_u.length);
  for (const [i, pc] of inputs.pc.entries()) {
    near(guardBandMultiplier(pc), expected.r_u[i], tolerance.abs);
    near(guardBandMultiplier(pc) / 2, expected.r_U_k2[i], tolerance.abs);
  }
  near(guardBandMultiplier(0.95), expected.exact_w_for_5pct_over_u, tolerance.abs);
});

test('G-15 acceptance limits 4.81 and 5.19 of 4.75 to 5.25 with U = 0.06', () => {
  const { inputs, expected, tolerance } = rows['G-15'];
  const zone = acceptanceZone(between(inputs.T), inputs.U, 'guarded');
  if (zone?.kind !== 'between') throw new Error('something is left to accept');
  near(zone.lower, expected.A_guarded[0], tolerance.abs);
  near(zone.upper, expected.A_guarded[1], tolerance.abs);
});

test('G-15 acceptance limits 4.69 and 5.31 under guarded rejection', () => {
  const { inputs, expected, tolerance } = rows['G-15'];
  const zone = acceptanceZone(between(inputs.T), inputs.U, 'guarded-rejection');
  if (zone?.kind !== 'between') throw new Error('something is left to accept');
  near(zone.lower, expected.A_relaxed_for_guarded_rejection[0], tolerance.abs);
  near(zone.upper, expected.A_relaxed_for_guarded_rejection[1], tolerance.abs);
});

test('G-15 ten results under guarded acceptance, simple acceptance and guarded rejection', () => {
  const { inputs, expected } = rows['G-15'];
  const outcomes = (rule: DecisionRule): readonly string[] =>
    inputs.results.map((y) => decide(y, inputs.U, between(inputs.T), rule).outcome);
  const acceptance = (outcome: string): string => (outcome === 'conforming' ? 'accept' : 'reject');
  expect(outcomes('guarded').map(acceptance)).toEqual(expected.guarded_acceptance);
  expect(outcomes('simple').map(acceptance)).toEqual(expected.simple);
  const rejection = (o: string): string => (o === 'nonconforming' ? 'reject' : 'not rejected');
  // Guarded and four-way hold what they do not decide: they reject what guarded rejection rejects.
  for (const rule of ['guarded-rejection', 'guarded', 'four-way'] as const) {
    expect(outcomes(rule).map(rejection)).toEqual(expected.guarded_rejection);
  }
  expect(outcomes('four-way').map(acceptance)).toEqual(expected.guarded_acceptance);
});

test('G-16 global risks of a resistor lot, simple and with w = 0.5 u', () => {
  const { inputs, expected, tolerance } = rows['G-16'];
  const process = {
    mean: inputs.mu,
    deviation: inputs.u0_process,
    uncertainty: inputs.u_m,
  };
  const cases = [expected.simple, expected.guarded];
  expect(inputs.A_cases.length).toBe(cases.length);
  for (const [i, accepted] of inputs.A_cases.entries()) {
    const risks = globalRisks(process, between(inputs.T), between(accepted));
    near(risks.nonconforming, cases[i]?.p_nonconforming, tolerance.abs);
    near(risks.falseAccept, cases[i]?.Rc, tolerance.abs);
    near(risks.falseReject, cases[i]?.Rp, tolerance.abs);
    near(risks.accepted, cases[i]?.fraction_accepted, tolerance.abs);
  }
});

test('G-19 measurement capability index of a tolerance 0.4 wide with u = 0.025', () => {
  const { inputs, expected, tolerance } = rows['G-19'];
  const zone = between([0, inputs.T_width]);
  near(capabilityIndex(zone, 2 * inputs.u_m), expected.Cm, tolerance.abs);
  near(capabilityIndex(zone, 2 * inputs.u_m), expected.TUR_k2, tolerance.abs);
  expect(capabilityIndex(upTo0, 0.05)).toBeUndefined();
});

test('G-21 risk of a value on the acceptance limit, w in standard uncertainties', () => {
  const { inputs, expected, tolerance } = rows['G-21'];
  expect(inputs.w_over_u.length).toBe(expected.PFA.length);
  for (const [i, w] of inputs.w_over_u.entries()) {
    near(specificRisk(-w, 1, upTo0), expected.PFA[i], tolerance.abs);
  }
});

test('G-21 the rules have the guard bands 0, 1.65 and 2 standard uncertainties, and their risks', () => {
  const { inputs, expected, tolerance } = rows['G-21'];
  for (const [rule, w] of [
    ['simple', 0],
    ['guarded-one-sided', 1.65],
    ['guarded', 2],
    ['four-way', 2],
  ] as const) {
    const zone = acceptanceZone(upTo0, 2, rule); // U = 2 u with u = 1
    if (zone?.kind !== 'at-most') throw new Error('a most stays a most');
    near(-zone.upper, w, 1e-12);
    near(
      specificRisk(zone.upper, 1, upTo0),
      expected.PFA[inputs.w_over_u.indexOf(w)],
      tolerance.abs,
    );
  }
});
