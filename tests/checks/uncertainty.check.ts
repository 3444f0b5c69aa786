import { expect, test } from 'vitest';
import {
  combine,
  combineCorrelated,
  coverageFactor,
  covarianceOf,
  effectiveFreedom,
  standardFromLimits,
} from '../../src/scoring/uncertainty.js';
import type { Budget } from '../../src/procedure/budget.js';
import { budgetTable, factorFor } from '../../src/scoring/budget.js';
import { standardDeviation, mean } from '../../src/scoring/line.js';
import { expectClose, rowsOf, type Row } from '../support/rows.js';

const row = rowsOf('uncertainty');
const input = (
  u: number,
  freedom = Infinity,
  c = 1,
): { u: number; c: number; freedom: number } => ({
  u,
  c,
  freedom,
});

/** A budget of components that are standard uncertainties, as a bench description would state them. */
function budgetFrom(parts: readonly ReturnType<typeof input>[]): Budget {
  const [first, ...more] = parts.map(({ u, c, freedom }, i) => ({
    name: `part-${i}`,
    what: `part ${i}`,
    origin: { kind: 'judgement' } as const,
    relative: 0,
    absolute: u,
    distribution: { kind: 'normal', k: 1 } as const,
    sensitivity: c,
    freedom,
  }));
  if (first === undefined) throw new Error('no parts');
  const where = { file: 'x.yaml', line: 1, column: 1 };
  return { version: 1, date: '2026-01-01', components: [first, ...more], where };
}

interface EndGauge {
  readonly uc_nm_unrounded: number;
  readonly nu_eff: number;
  readonly nu_eff_if_uc_is_rounded_to_32_first: number;
  readonly u_d_nm: number;
  readonly nu_d: number;
  readonly nu_eff_truncated: number;
  readonly t99_16: number;
  readonly U99_nm: number;
  readonly U99_nm_unrounded: number;
}

test('G-1: end-gauge budget, not rounded before the degrees of freedom', () => {
  const { inputs, expected, tolerance } = row('G-1') as unknown as {
    readonly inputs: { readonly u_nm: Record<string, number> };
    readonly expected: EndGauge;
    readonly tolerance: { uc_nm_unrounded: number; nu_eff: number; U99_nm: number };
  };
  const parts = [input(5.8, 24), input(3.9, 5), input(6.7, 8)];
  const printed = inputs.u_nm['u(d) from (5.8, 3.9, 6.7)'] ?? NaN;
  // The row takes u(d) as printed, 9.7, in the numerator. "others" of the row: relative 1e-3.
  const freedomOfD = effectiveFreedom(parts) * (printed / combine(parts)) ** 4;
  expectClose([combine(parts), freedomOfD], [expected.u_d_nm, expected.nu_d], { rel: 1e-3 });
  const budget = [
    input(inputs.u_nm['u(lS)'] ?? NaN, 18),
    input(printed, freedomOfD),
    input(inputs.u_nm['c*u(delta alpha)'] ?? NaN, 50),
    input(inputs.u_nm['c*u(delta theta)'] ?? NaN, 2),
  ];
  const uc = combine(budget);
  const freedom = effectiveFreedom(budget);
  expectClose([uc], [expected.uc_nm_unrounded], { abs: tolerance.uc_nm_unrounded });
  expectClose([freedom], [expected.nu_eff], { abs: tolerance.nu_eff });
  expect(Math.abs(freedom - expected.nu_eff_if_uc_is_rounded_to_32_first)).toBeGreaterThan(0.5);
  expect(Math.floor(freedom)).toBe(expected.nu_eff_truncated);
  const table = budgetTable(0, budgetFrom(budget));
  expectClose([table.standard], [expected.uc_nm_unrounded], { abs: tolerance.uc_nm_unrounded });
  expectClose([table.freedom], [expected.nu_eff], { abs: tolerance.nu_eff });
  const t = coverageFactor(0.99, Math.floor(freedom));
  expectClose([t], [expected.t99_16], { rel: 1e-9 });
  expectClose([t * uc], [expected.U99_nm], { abs: tolerance.U99_nm });
  expectClose([t * uc], [expected.U99_nm_unrounded], { rel: 1e-3 });
});

test('G-2: second-order terms enter as further contributions', () => {
  const { inputs, expected, tolerance } = row('G-2') as Row<
    {
      lS_nm: number;
      u_delta_alpha_perC: number;
      u_theta_C: number;
      u_alphaS_perC: number;
      u_delta_theta_C: number;
      first_order_uc_nm: number;
    },
    { term1_nm: number; term2_nm: number; uc_nm: number; uc_published_nm: number }
  >;
  const first = inputs.lS_nm * inputs.u_delta_alpha_perC * inputs.u_theta_C;
  const second = inputs.lS_nm * inputs.u_alphaS_perC * inputs.u_delta_theta_C;
  const uc = combine([inputs.first_order_uc_nm, first, second].map((u) => input(u)));
  expectClose(
    [first, second, uc],
    [expected.term1_nm, expected.term2_nm, expected.uc_nm],
    tolerance,
  );
  expectClose([uc], [expected.uc_published_nm], tolerance);
});

test('G-3: coverage factors of table G.2', () => {
  const { inputs, expected, tolerance } = row('G-3') as Row<
    { nu: number[]; p_percent: number[] },
    { t: number[][]; t_infinity: number[] }
  >;
  // The table means the shares within 1, 2 and 3 standard deviations exactly.
  const exact: Readonly<Record<string, number>> = {
    '68.27': 0.682689492137086,
    '95.45': 0.954499736103642,
    '99.73': 0.99730020393674,
  };
  const shares = inputs.p_percent.map((p) => exact[String(p)] ?? p / 100);
  // 235.8 is printed with one decimal.
  const allowed = (t: number): number => (t > 100 ? 0.05 : (tolerance.abs ?? NaN));
  inputs.nu.forEach((nu, i) => {
    shares.forEach((share, k) => {
      const wanted = expected.t[i]?.[k] ?? NaN;
      expectClose([coverageFactor(share, nu)], [wanted], { abs: allowed(wanted) + 1e-9 });
    });
  });
  // What a budget multiplies by is the column of 95.45 % as it is printed.
  const column = inputs.p_percent.indexOf(95.45);
  expect(inputs.nu.map(factorFor)).toEqual(inputs.nu.map((_, i) => expected.t[i]?.[column]));
  expect(factorFor(Infinity)).toBe(2);
  expectClose(
    shares.map((share) => coverageFactor(share, Infinity)),
    expected.t_infinity,
    tolerance,
  );
});

test('G-4: degrees of freedom of a torque channel', () => {
  const { inputs, expected, tolerance } = row('G-4') as Row<
    { u_Nm: number[]; dof: number[] },
    { uc: number; nu_eff: number; k95: number }
  >;
  const budget = inputs.u_Nm.map((u, i) => input(u, inputs.dof[i]));
  expectClose(
    [combine(budget), effectiveFreedom(budget)],
    [expected.uc, expected.nu_eff],
    tolerance,
  );
  const table = budgetTable(1, budgetFrom(budget));
  expectClose([table.standard, table.freedom], [expected.uc, expected.nu_eff], tolerance);
  const k = coverageFactor(0.95, Math.floor(effectiveFreedom(budget)));
  expectClose([k], [expected.k95], tolerance);
});

test('G-6: correlated inputs', () => {
  const { inputs, expected, tolerance } = row('G-6') as Row<
    { u: number[]; r: number },
    Record<'u_sum' | 'u_diff' | 'u_sum_r1' | 'u_diff_r1', number>
  >;
  const at = (c: number[], r: number): number => {
    const matrix = [
      [1, r],
      [r, 1],
    ];
    return combineCorrelated(c, inputs.u, matrix);
  };
  const found = [at([1, 1], inputs.r), at([1, -1], inputs.r), at([1, 1], 1), at([1, -1], 1)];
  const { u_sum, u_diff, u_sum_r1, u_diff_r1 } = expected;
  expectClose(found, [u_sum, u_diff, u_sum_r1, u_diff_r1], tolerance);
});

test('G-7: standard uncertainties from limits', () => {
  const { inputs, expected, tolerance } = row('G-7') as Row<{ a: number }, Record<string, number>>;
  const found = [
    standardFromLimits(inputs.a, { kind: 'rectangular' }),
    standardFromLimits(inputs.a, { kind: 'triangular' }),
    standardFromLimits(inputs.a, { kind: 'arcsine' }),
    standardFromLimits(inputs.a, { kind: 'trapezoid', top: 0.5 }),
    standardFromLimits(inputs.a, { kind: 'normal', share: 0.95 }),
  ];
  const keys = [
    'rectangular',
    'triangular',
    'U_shaped_arcsine',
    'trapezoid_beta_0.5',
    'normal_95pct',
  ];
  expectClose(
    found,
    keys.map((key) => expected[key] ?? NaN),
    tolerance,
  );
});

test('G-8: resistance, reactance and impedance from correlated readings', () => {
  const { inputs, expected, tolerance } = row('G-8') as Row<
    { V_V: number[]; I_mA: number[]; phi_rad: number[] },
    Record<'u_R' | 'u_X' | 'u_Z' | 'r_RX' | 'r_RZ' | 'r_XZ' | 'r_VI' | 'R' | 'X' | 'Z', number> & {
      mean: number[];
      s_mean: number[];
    }
  >;
  const series = [inputs.V_V, inputs.I_mA, inputs.phi_rad];
  const means = series.map((values) => mean(values));
  const u = series.map((values) => standardDeviation(values) / Math.sqrt(values.length));
  expectClose(means, expected.mean, tolerance);
  expectClose(u, expected.s_mean, tolerance);
  // The same as the scatter of five repeats of a run, which takes the place of what was known before.
  const known = budgetFrom([input(0)]);
  const ofRun = series.map((values, i) =>
    budgetTable(means[i] ?? NaN, known, {
      spread: standardDeviation(values),
      repeats: values.length,
    }),
  );
  expectClose(
    ofRun.map(({ standard }) => standard),
    expected.s_mean,
    tolerance,
  );
  expect(ofRun.map(({ freedom, k }) => [Math.round(freedom), k])).toEqual([
    [4, 2.87], // Table G.2
    [4, 2.87],
    [4, 2.87],
  ]);
  const r = series.map((a, i) =>
    series.map((b, k) => {
      const products = a.map(
        (value, n) => (value - (means[i] ?? NaN)) * ((b[n] ?? NaN) - (means[k] ?? NaN)),
      );
      return (mean(products) * 5) / (20 * (u[i] ?? NaN) * (u[k] ?? NaN));
    }),
  );
  expectClose([r[0]?.[1] ?? NaN], [expected.r_VI], tolerance);
  const [v = NaN, mA = NaN, phi = NaN] = means;
  const [z, cos, sin] = [(1000 * v) / mA, Math.cos(phi), Math.sin(phi)];
  expectClose([z * cos, z * sin, z], [expected.R, expected.X, expected.Z], tolerance);
  const resistance = [(z * cos) / v, (-z * cos) / mA, -z * sin];
  const reactance = [(z * sin) / v, (-z * sin) / mA, z * cos];
  const impedance = [z / v, -z / mA, 0];
  const [uR, uX, uZ] = [resistance, reactance, impedance].map((c) =>
    combineCorrelated(c, u, r),
  ) as [number, number, number];
  expectClose([uR, uX, uZ], [expected.u_R, expected.u_X, expected.u_Z], tolerance);
  expectClose(
    [
      covarianceOf(resistance, reactance, u, r) / (uR * uX),
      covarianceOf(resistance, impedance, u, r) / (uR * uZ),
      covarianceOf(reactance, impedance, u, r) / (uX * uZ),
    ],
    [expected.r_RX, expected.r_RZ, expected.r_XZ],
    tolerance,
  );
});
