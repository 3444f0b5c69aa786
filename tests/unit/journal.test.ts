import { closeSync, mkdtempSync, openSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { FileJournal } from '../../src/emulator/journal.js';

let folder: string;
let file: string;
let descriptor: number;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'stallmark-journal-'));
  file = join(folder, 'journal.jsonl');
  descriptor = openSync(file, 'w');
});

afterEach(() => {
  closeSync(descriptor);
  rmSync(folder, { recursive: true });
});

const written = (): unknown[] =>
  readFileSync(file, 'utf8')
    .split('\n')
    .filter((line) => line !== '')
    .map((line) => JSON.parse(line) as unknown);

const nextTurn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

test.each(['tripped', 'off', 'zero', 'shaft-zero', 'lines', 'closed'] as const)(
  'a line of "%s" is in the file when write returns, with all before it',
  (what) => {
    const journal = new FileJournal(descriptor, () => 9_007_199_254_740_993n);
    journal.write('start');
    expect(written()).toEqual([]);
    journal.write(what, { reason: 'test' }, 17n);
    expect(written()).toEqual([
      { at_ns: '9007199254740993', what: 'start' },
      { at_ns: '17', what, reason: 'test' },
    ]);
    journal.close();
  },
);

test('other lines are in the file one turn later, and all when it is closed', async () => {
  const journal = new FileJournal(descriptor);
  journal.write('energized', { ceiling_Nm: 12 });
  await nextTurn();
  expect(written().length).toBe(1);
  journal.write('limit');
  journal.close();
  expect(written().length).toBe(2);
});

test('it is written out when the process ends, and not after it was closed', () => {
  const before = process.listenerCount('exit');
  const journal = new FileJournal(descriptor);
  journal.write('start');
  expect(process.listenerCount('exit')).toBe(before + 1);
  for (const listener of process.listeners('exit').slice(before)) listener.call(process, 0);
  expect(written().length).toBe(1);
  journal.close();
  expect(process.listenerCount('exit')).toBe(before);
});

test('a file that takes 7 bytes at a time gets every byte once', () => {
  const taken: number[] = [];
  const journal = new FileJournal((bytes) => {
    const some = bytes.subarray(0, 7);
    taken.push(...some);
    return some.length;
  });
  for (let i = 0; i < 20; i += 1) journal.write('start', { i });
  journal.flush();
  const lines = Buffer.from(taken).toString().trimEnd().split('\n');
  expect(lines.map((line) => (JSON.parse(line) as { i: number }).i)).toEqual(
    Array.from({ length: 20 }, (_, i) => i),
  );
  journal.close();
});

test('a file that cannot be written warns once, keeps 10 000 lines and counts the others', () => {
  const warned = vi.spyOn(process, 'emitWarning').mockImplementation(() => undefined);
  let isFull = true;
  const taken: Buffer[] = [];
  const journal = new FileJournal((bytes) => {
    if (isFull) throw new Error('no space left on device');
    taken.push(Buffer.from(bytes));
    return bytes.length;
  });
  journal.write('off', { i: -1 }); // on its way when the disk was full
  for (let i = 0; i < 10_005; i += 1) journal.write('start', { i });
  journal.flush();
  expect(warned).toHaveBeenCalledTimes(1);
  expect(String(warned.mock.calls[0]?.[0])).toContain('no space left on device');
  isFull = false;
  journal.flush();
  const lines = Buffer.concat(taken).toString().trimEnd().split('\n');
  const said = lines.map((line) => JSON.parse(line) as { i?: number; dropped?: number });
  expect(said.slice(0, 3)).toEqual([
    expect.objectContaining({ i: -1 }) as unknown,
    { dropped: 5 },
    expect.objectContaining({ i: 5 }) as unknown,
  ]);
  expect(said.length).toBe(1 + 1 + 10_000);
  journal.close();
  warned.mockRestore();
});
