import { expect, test } from 'vitest';
import { celsius } from '../../src/base/units.js';
import { readinessProblems } from '../../src/readiness/readiness.js';
import { sensorChecks } from '../../src/readiness/sensors.js';

const CASES: readonly (readonly [
  name: string,
  ambient: number,
  humidity: number,
  refused: readonly RegExp[],
])[] = [
  ['a hall', 23, 0.45, []],
  ['the coldest and the driest that can be', -10, 0.001, []],
  ['the hottest and the wettest that can be', 60, 1, []],
  [
    'a thermometer with a broken wire',
    -40,
    0.45,
    [/thermometer of the bench failed: .*-40\.0 °C/u],
  ],
  ['a thermometer at its end', 150, 0.45, [/150\.0 °C; a hall is at -10 … 60 °C/u]],
  ['a hygrometer that says nothing', 23, 0, [/hygrometer of the bench failed: it says 0 %/u]],
  ['a hygrometer in percent', 23, 45, [/4500 %/u]],
  ['both', 61, 1.2, [/thermometer/u, /hygrometer/u]],
];

for (const [name, ambient, humidity, refused] of CASES) {
  test(`${name}: ${refused.length === 0 ? 'ok' : 'refused'}`, () => {
    const checks = sensorChecks({ ambient: celsius(ambient), humidity });
    const problems = readinessProblems(checks);
    expect(problems).toHaveLength(refused.length);
    refused.forEach((says, i) => {
      expect(problems[i]?.what).toMatch(says);
      expect(problems[i]?.fix).toContain('maintenance');
    });
  });
}

test('what is no number is refused', () => {
  const checks = sensorChecks({ ambient: NaN as ReturnType<typeof celsius>, humidity: NaN });
  expect(checks.map(({ state }) => state)).toEqual(['failed', 'failed']);
});
