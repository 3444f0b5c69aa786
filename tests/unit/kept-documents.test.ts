import { cpSync, readFileSync, utimesSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { documentReader } from '../../src/run/kept-documents.js';
import { temporaryFolder } from '../support/folder.js';

test('documents are read again only after a file was changed or added', () => {
  const folder = temporaryFolder();
  const file = join(folder, 'as-h12.yaml');
  cpSync('limits/as-h12.yaml', file);
  const read = documentReader();
  const first = read([folder]);
  expect(first.limits).toHaveLength(1);
  expect(read([folder])).toBe(first);

  writeFileSync(file, readFileSync(file, 'utf8').replace('title: ', 'title: another '));
  const second = read([folder]);
  expect(second.limits[0]?.title).toMatch(/^another /u);

  utimesSync(file, 1, 1); // same size, another instant: a change that kept the length
  expect(read([folder])).not.toBe(second);
  const third = read([folder]);
  cpSync(file, join(folder, 'second.yaml'));
  expect(read([folder]).limits).toHaveLength(third.limits.length + 1);
});
