import { expect, test } from 'vitest';
import { NO_UNIT, showMeasured } from '../../src/base/display.js';
import rows from './display.json' with { type: 'json' };

for (const { id, source, clause, inputs, expected } of rows) {
  inputs.pairs.forEach(([value = NaN, expanded], i) => {
    test(`${id}: ${String(value)} with U = ${String(expanded)} is shown after ${source}, ${clause}`, () => {
      expect(showMeasured(value, expanded, NO_UNIT)).toBe(expected.text[i]);
    });
  });
}
