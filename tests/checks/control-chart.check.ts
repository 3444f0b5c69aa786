import { expect, test } from 'vitest';
import { controlChart } from '../../src/readiness/control-chart.js';
import { expectClose } from '../support/rows.js';
import rows from './control-chart.json' with { type: 'json' };

test('H-8, NIST e-Handbook 6.3.2.2: individuals and moving ranges of the flow-rate data', () => {
  const { inputs, expected, tolerance } = rows['H-8'];
  const points = inputs.x.map((value) => ({ value, counts: true }));
  const { ranges, limits, outside, jumps } = controlChart(points, points.length);
  expectClose(ranges, expected.MR, tolerance);
  expectClose(
    [limits?.centre, limits?.meanRange, limits?.upper, limits?.lower].map((v) => v ?? NaN),
    [expected.xbar, expected.MRbar, expected.UCL, expected.LCL],
    tolerance,
  );
  expectClose(
    [limits?.rangeUpper ?? NaN, limits?.sigma ?? NaN],
    [expected.MR_UCL, expected.sigma],
    tolerance,
  );
  // The handbook's conclusion: the process is in control.
  expect([outside, jumps]).toEqual([[], []]);
});
