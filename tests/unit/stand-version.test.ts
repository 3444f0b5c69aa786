import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { hertz, second } from '../../src/base/units.js';
import { readStation } from '../../src/procedure/schema.js';
import { withStandVersion } from '../../src/procedure/stand-version.js';
import { driftsBetween } from '../../src/run/stand.js';
import { standModel } from '../support/stand.js';

const file = join(import.meta.dirname, '../../procedures/benches/tw-1.yaml');
const shipped = readFileSync(file, 'utf8');
const next = {
  ...standModel({ version: 13, resonance: hertz(358.4), torqueDelay: second(0.3412e-3) }),
  by: 'op "17"',
};

for (const [name, text] of [
  ['as shipped', shipped],
  ['with CRLF', shipped.replaceAll('\n', '\r\n')],
] as const) {
  test(`${name}: a version is added in force, the former is kept, nothing else changes`, () => {
    const written = withStandVersion(text, 'tw-1.yaml', next);
    const station = readStation(written, 'tw-1.yaml');
    expect(station.stand).toMatchObject({ version: 13, resonance: 358.4 });
    expect(station.stand.torqueDelay).toBeCloseTo(0.3412e-3, 12);
    expect(station.stand.uncertainty.torqueDelay).toBeCloseTo(0.05e-3, 12);
    expect(station.formerStands.map(({ version }) => version)).toEqual([12]);
    const lines = new Set(written.split('\n'));
    expect(text.split('\n').filter((line) => !lines.has(line))).toEqual([]);
    expect(withStandVersion(written, 'tw-1.yaml', { ...next, version: 14 })).toContain(
      'version: 14',
    );
  });
}

test('a stand list at the end of the file without a line end is continued', () => {
  const bare = shipped.split('\n');
  const at = bare.findIndex((line) => line.startsWith('stand:'));
  const end = bare.findIndex((line, i) => i > at && line === '');
  const moved = [...bare.slice(0, at), ...bare.slice(end + 1), ...bare.slice(at, end)];
  const text = moved.join('\n').trimEnd();
  expect(readStation(withStandVersion(text, 'x.yaml', next), 'x.yaml').stand.version).toBe(13);
});

test('a sound stand has no drift; a loose one and a moved delay are named with what to look for', () => {
  const before = standModel();
  expect(driftsBetween(before, standModel({ resonance: hertz(361 * 1.049) }))).toEqual([]);
  expect(driftsBetween(before, standModel({ resonance: hertz(361 * 0.94) }))[0]).toMatch(
    /-6\.0 %.*loose bolts/u,
  );
  const late = standModel({ torqueDelay: second(0.45e-3), currentDelay: second(-0.11e-3) });
  expect(driftsBetween(before, late)).toHaveLength(2);
});
