import { expect, test } from 'vitest';
import { readMeasure } from '../../src/base/units.js';
import { characteristic } from '../../src/scoring/catalogue.js';
import { DEFAULT_FOLDERS, readDocuments } from '../../src/run/documents.js';
import { limitsVocabulary } from '../../src/run/limits-vocabulary.js';

const { procedures, limits } = readDocuments(DEFAULT_FOLDERS);
const [shipped] = limits;
const procedure = procedures.find(({ id }) => id === shipped?.procedure);
if (procedure === undefined || shipped === undefined) throw new Error('no shipped limits');
const vocabulary = limitsVocabulary(procedure);

test('every row of the shipped limits is offered, in units it may be written in', () => {
  for (const { stage, characteristic: id, unit } of shipped.rows) {
    const row = vocabulary.rows.find(({ word }) => word === `${stage}.${id}`);
    expect(row?.units, `${stage}.${id}`).toContain(unit.symbol);
  }
});

test('every unit that is offered is of the dimension of its characteristic, the usual one first', () => {
  for (const { word, units } of vocabulary.rows) {
    const known = characteristic(word.split('.')[1] ?? '');
    expect(units[0]).toBe(known?.unit);
    for (const unit of units) {
      const read = readMeasure(`1 ${unit}`);
      expect('unit' in read ? read.unit.dimension : read.reason, word).toBe(known?.dimension);
    }
  }
});

test('keys are those of the schema, with what they mean; the approval is not written by hand', () => {
  const words = (level: keyof typeof vocabulary.keys): readonly string[] =>
    vocabulary.keys[level].map(({ word }) => word);
  expect(words('document')).toEqual(expect.arrayContaining(['limits', 'issue', 'rule', 'rows']));
  expect(words('document')).not.toContain('approved');
  expect(words('limit')).toEqual(
    expect.arrayContaining(['label', 'from', 'to', 'rule', 'process']),
  );
  expect(words('process')).toEqual(['mean', 'sd']);
  expect(vocabulary.keys.limit.find(({ word }) => word === 'to')?.meaning).toBe('Upper limit.');
});
