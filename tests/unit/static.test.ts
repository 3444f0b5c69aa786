import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { pageFiles } from '../../src/serve/static.js';
import { temporaryFolder } from '../support/folder.js';

test('the page is found at its addresses, files at theirs, and nothing else', () => {
  const folder = temporaryFolder();
  mkdirSync(join(folder, 'assets'));
  for (const name of [
    'index.html',
    'icon.svg',
    'notes.txt',
    'assets/main-1.js',
    'assets/page-1.css',
  ]) {
    writeFileSync(join(folder, name), name);
  }
  const files = pageFiles(folder);
  expect([...files.keys()].sort()).toEqual([
    ...['/', '/assets/main-1.js', '/assets/page-1.css', '/auditor', '/icon.svg', '/index.html'],
    ...['/operator', '/quality'],
  ]);
  expect(files.get('/auditor')?.type).toBe('text/html; charset=utf-8');
  expect(files.get('/assets/main-1.js')).toMatchObject({
    ...{ type: 'text/javascript; charset=utf-8', isHashed: true },
  });
  expect(files.get('/index.html')?.isHashed).toBe(false);
});

test('a page that was not built has no files', () => {
  expect(pageFiles(join(temporaryFolder(), 'nothing')).size).toBe(0);
});
