import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { checkBench } from '../../src/procedure/meaning.js';
import { readStation } from '../../src/procedure/schema.js';
import { Values } from '../../src/procedure/values.js';
import { readYaml } from '../../src/procedure/yaml.js';
import { stopPolicyOf } from '../../src/readiness/stop-proof.js';
import { PACKAGE_ROOT } from '../../src/run/documents.js';

const BENCH = 'procedures/benches/tw-1.yaml';
const text = readFileSync(join(PACKAGE_ROOT, BENCH), 'utf8');
const POLICY = 'stop-proof: { within: 90 d, limit: 250 ms, required: false }';

function problemsOf(changed: string): readonly Problem[] {
  try {
    readStation(changed, BENCH);
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
}

test('the shipped bench states how long a proof counts and what it must find', () => {
  expect(text).toContain(POLICY);
  const station = readStation(text, BENCH);
  expect(station.checks?.stopProof).toEqual({ within: 7_776_000, limit: 0.25, required: false });
  expect(stopPolicyOf(station)).toBe(station.checks?.stopProof);
});

test('a bench without a policy is read, with the other checks as they are', () => {
  const { checks } = readStation(text.replace(`  ${POLICY}\n`, ''), BENCH);
  expect(checks?.stopProof).toBeUndefined();
  expect(checks?.reference).toBeDefined();
});

const WRONG: readonly (readonly [name: string, policy: string, says: RegExp])[] = [
  ['no limit', POLICY.replace(' limit: 250 ms,', ''), /has no "limit"/u],
  ['a limit of 0', POLICY.replace('250 ms', '0 ms'), /above 0|greater than 0|positive/iu],
  ['a limit that lets the torque stay', POLICY.replace('250 ms', '3 s'), /at most 1 s/u],
  ['a limit that is no time', POLICY.replace('250 ms', '250 N·m'), /torque|time/u],
  ['a time in hours', POLICY.replace('90 d', '90 h'), /whole days such as 90 d/u],
  ['no word on being required', POLICY.replace(', required: false', ''), /has no "required"/u],
];
for (const [name, policy, says] of WRONG) {
  test(`a policy with ${name} is refused`, () => {
    const told = problemsOf(text.replace(POLICY, policy)).map(({ what }) => what);
    expect(told.join()).toMatch(says);
  });
}

// No other kind of bench can be read yet; the rule must be there before one can.
const REAL: readonly (readonly [name: string, policy: string, isRefused: boolean])[] = [
  ['says false', `  ${POLICY}\n`, true],
  ['says nothing', '', true],
  ['says true', `  ${POLICY.replace('false', 'true')}\n`, false],
];
for (const [name, policy, isRefused] of REAL) {
  test(`a bench that is not simulated and ${name} is ${isRefused ? 'refused' : 'not refused'} for it`, () => {
    const real = text.replace('kind: simulated', 'kind: wired').replace(`  ${POLICY}\n`, policy);
    const { located } = readYaml(real, BENCH);
    if (located === undefined) throw new Error('the bench is no YAML');
    const values = new Values(located);
    checkBench(values);
    const told = values.problems.map(({ what }) => what);
    expect(told.join().includes('must require proofs of its stop function')).toBe(isRefused);
  });
}
