import { once } from 'node:events';
import { existsSync, mkdirSync, readFileSync, readdirSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { expect, onTestFinished, test } from 'vitest';
import { sha256 } from '../../src/base/canonical.js';
import { StallmarkError } from '../../src/base/error.js';
import { auditLedger } from '../../src/ledger/audit.js';
import { systemDisk, type Disk } from '../../src/ledger/disk.js';
import type { Entry, Ledger } from '../../src/ledger/ledger.js';
import { beginAttempt } from '../../src/ledger/numbering.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import {
  abortAttempt,
  attemptFolder,
  holdRecords,
  issueRecord,
  openAttempt,
  recover,
} from '../../src/ledger/store.js';
import { endOf, startChild } from '../support/child.js';
import { temporaryFolder } from '../support/folder.js';

const NOW = Date.parse('2026-11-25T14:05:18.250Z');
const SERIAL = 'H12-26-04711';
const FILES = ['capture.parquet', 'certificate.csv', 'certificate.pdf'];

function opened(root: string): Ledger {
  const ledger = openLedger(join(root, 'ledger.db'));
  onTestFinished(() => {
    ledger.close();
  });
  return ledger;
}

function begin(ledger: Ledger, attempt: number, serial = SERIAL): Entry {
  return beginAttempt(ledger, { serial, attempt, by: 'op-17', prefix: 'TW1', body: {} }, NOW);
}

function issue(root: string, ledger: Ledger, begun: Entry, disk: Disk): Entry {
  const folder = openAttempt(root, begun, disk);
  for (const name of FILES) disk.writeFile(join(folder.temporary, name), `${name} of ${SERIAL}`);
  return issueRecord(
    root,
    ledger,
    { begun, by: 'seal TW-1', body: { verdict: 'ACCEPT' } },
    NOW,
    disk,
  );
}

/** What lies in the records, without the ledger's own files. */
function onDisk(root: string): readonly string[] {
  return readdirSync(root, { recursive: true, encoding: 'utf8' })
    .filter((name) => !name.startsWith('ledger.db') && name !== '.hold')
    .sort();
}

const ISSUED = `2026/${SERIAL}/01`;

/** Either the whole record is in place and entered, or there is neither. Returns which. */
function expectAllOrNothing(root: string, ledger: Ledger): 'everything' | 'nothing' {
  const issued = [...ledger.entries()].filter((entry) => entry.kind === 'record-issued');
  const temporary = onDisk(root).filter((name) => name.includes('.attempt-'));
  expect(temporary).toEqual([]);
  if (issued.length === 0) {
    expect(existsSync(join(root, ISSUED))).toBe(false);
    return 'nothing';
  }
  const [entry] = issued;
  expect(issued.length).toBe(1);
  expect(readdirSync(join(root, ISSUED)).sort()).toEqual(FILES);
  const digests = FILES.map((name) => [name, sha256(readFileSync(join(root, ISSUED, name)))]);
  expect(entry?.body).toEqual({
    verdict: 'ACCEPT',
    certificate: 'TW1-2026-000001',
    folder: ISSUED,
    files: Object.fromEntries(digests) as Record<string, string>,
  });
  return 'everything';
}

test('a record is issued whole: files, digests, entry; the temporary folder is gone', () => {
  const root = temporaryFolder();
  const ledger = opened(root);
  issue(root, ledger, begin(ledger, 1), systemDisk);
  expect(expectAllOrNothing(root, ledger)).toBe('everything');
  expect(recover(root, ledger, NOW)).toEqual([]);
  expect(auditLedger(ledger.entries()).findings).toEqual([]);
});

class Halted extends Error {}

/** A disk whose computer stops before step n: nothing it is asked from then on happens. */
function haltingDisk(n: number, seen: string[] = []): Disk {
  const step = (name: string, operation: () => void): void => {
    if (seen.length + 1 >= n) throw new Halted(`halted before step ${n}`);
    seen.push(name);
    operation();
  };
  return {
    makeFolder: (path) => {
      step('makeFolder', () => {
        systemDisk.makeFolder(path);
      });
    },
    writeFile: (path, bytes) => {
      step('writeFile', () => {
        systemDisk.writeFile(path, bytes);
      });
    },
    sync: (path) => {
      step('sync', () => {
        systemDisk.sync(path);
      });
    },
    rename: (from, to) => {
      step('rename', () => {
        systemDisk.rename(from, to);
      });
    },
  };
}

function halts(action: () => unknown): boolean {
  try {
    action();
    return false;
  } catch (error) {
    if (error instanceof Halted) return true;
    throw error;
  }
}

/** Steps of issuing one record on an empty disk, in this order. */
const STEPS = [
  ...['makeFolder', 'sync', 'makeFolder', 'sync', 'makeFolder', 'sync'],
  ...['writeFile', 'writeFile', 'writeFile'],
  ...['sync', 'sync', 'sync', 'sync'],
  ...['rename', 'sync'],
];

test('the files and their folder are durable before the move, the move before the entry', () => {
  const root = temporaryFolder();
  const ledger = opened(root);
  const seen: string[] = [];
  issue(root, ledger, begin(ledger, 1), haltingDisk(Infinity, seen));
  expect(seen).toEqual(STEPS);
});

for (let k = 1; k <= STEPS.length; k += 1) {
  test(`SIGKILL before step ${k} (${STEPS[k - 1] ?? ''}): nothing is issued, and the number stays used`, async () => {
    await expectKilled(k, 'before', 'nothing');
  });
}

test('SIGKILL after the last step, before the entry is committed: nothing is issued', async () => {
  await expectKilled(STEPS.length, 'after', 'nothing');
});

async function expectKilled(k: number, when: string, want: string): Promise<void> {
  const root = temporaryFolder();
  const args = ['issue', root, SERIAL, String(k), when];
  const ended = await endOf(startChild('storage-child.ts', args));
  expect(ended).toMatchObject({ signal: 'SIGKILL', stderr: '' });
  const ledger = opened(root);
  expect(auditLedger(ledger.entries()).findings.map((f) => f.name)).toEqual(['interrupted']);

  const sentences = recover(root, ledger, NOW);
  expect(sentences.length).toBe(1);
  expect(sentences[0]).toContain(`Attempt 1 of ${SERIAL}`);
  expect(expectAllOrNothing(root, ledger)).toBe(want);
  expect(auditLedger(ledger.entries()).findings).toEqual([]);
  expect(ledger.last()).toMatchObject({
    kind: 'attempt-aborted',
    body: { reason: 'interrupted', certificate: 'SIM-TW1-2026-000001' },
  });
  expect(ledger.last()?.body['kept']).toEqual(
    onDisk(root).filter((n) => /^unissued\/[^/]+$/u.test(n)),
  );
  expect(recover(root, ledger, NOW)).toEqual([]);
  const again = beginAttempt(
    ledger,
    { serial: SERIAL, attempt: 2, by: 'op-17', prefix: 'SIM-TW1', body: {} },
    NOW,
  );
  expect(again.body['certificate']).toBe('SIM-TW1-2026-000002');
}

test('not killed: everything is issued', async () => {
  const root = temporaryFolder();
  const ended = await endOf(startChild('storage-child.ts', ['issue', root, SERIAL, '0']));
  expect(ended).toEqual({ status: 0, signal: null, stderr: '' });
  const ledger = opened(root);
  expect(recover(root, ledger, NOW)).toEqual([]);
  expect(auditLedger(ledger.entries()).findings).toEqual([]);
  expect(readdirSync(join(root, ISSUED)).sort()).toEqual(FILES);
});

test('a recovery that is itself cut off at any step is made up for by the next one', () => {
  let k = 1;
  for (; ; k += 1) {
    const root = temporaryFolder();
    const ledger = opened(root);
    halts(() => issue(root, ledger, begin(ledger, 1), haltingDisk(STEPS.length)));
    expect(existsSync(join(root, ISSUED))).toBe(true); // moved, not entered
    const stopped = halts(() => recover(root, ledger, NOW, haltingDisk(k)));
    if (stopped)
      expect(auditLedger(ledger.entries()).findings.map((f) => f.name)).toEqual(['interrupted']);
    const sentences = recover(root, ledger, NOW);
    expect(sentences.length).toBe(stopped ? 1 : 0);
    expect(expectAllOrNothing(root, ledger)).toBe('nothing');
    expect(ledger.last()?.body['kept']).toEqual(['unissued/TW1-2026-000001']);
    expect(readdirSync(join(root, 'unissued/TW1-2026-000001')).sort()).toEqual(FILES);
    expect(auditLedger(ledger.entries()).findings).toEqual([]);
    if (!stopped) break;
  }
  expect(k).toBeGreaterThan(3);
});

/** A disk on which step n finds no space, once or from then on. */
function fullDisk(n: number, forGood: boolean): Disk {
  let count = 0;
  const step = (path: string, operation: () => void): void => {
    count += 1;
    if (forGood ? count >= n : count === n) {
      const what = `There is no space left for "${path}".`;
      throw new StallmarkError([{ code: 'storage/full', what, fix: 'Free space.' }]);
    }
    operation();
  };
  return {
    makeFolder: (path) => {
      step(path, () => {
        systemDisk.makeFolder(path);
      });
    },
    writeFile: (path, bytes) => {
      step(path, () => {
        systemDisk.writeFile(path, bytes);
      });
    },
    sync: (path) => {
      step(path, () => {
        systemDisk.sync(path);
      });
    },
    rename: (from, to) => {
      step(to, () => {
        systemDisk.rename(from, to);
      });
    },
  };
}

for (const forGood of [false, true]) {
  test(`a disk that is full at any step, ${forGood ? 'for good' : 'once'}: nothing is issued, the abort or the next start clears up`, () => {
    for (let n = 1; n <= STEPS.length; n += 1) {
      const root = temporaryFolder();
      const ledger = opened(root);
      const disk = fullDisk(n, forGood);
      const begun = begin(ledger, 1);
      expect(() => issue(root, ledger, begun, disk)).toThrow('storage/full');
      const ending = { begun, by: 'op-17', reason: 'the disk is full', body: {} };
      const abort = (): unknown => abortAttempt(root, ledger, ending, NOW, disk);
      const left = onDisk(root).some(
        (name) => name.endsWith('/01') || name.endsWith('.attempt-01'),
      );
      if (forGood && left) {
        expect(abort).toThrow('storage/full');
        expect(recover(root, ledger, NOW).length).toBe(1);
      } else {
        abort();
        expect(recover(root, ledger, NOW)).toEqual([]);
      }
      expect(expectAllOrNothing(root, ledger)).toBe('nothing');
      expect(auditLedger(ledger.entries()).findings).toEqual([]);
    }
  });
}

test('an attempt ends once: a record is not aborted, an aborted attempt not issued', () => {
  const root = temporaryFolder();
  const ledger = opened(root);
  const first = begin(ledger, 1);
  issue(root, ledger, first, systemDisk);
  const ending = { begun: first, by: 'op-17', reason: 'too late', body: {} };
  expect(() => abortAttempt(root, ledger, ending, NOW)).toThrow('ended this attempt already');
  expect(expectAllOrNothing(root, ledger)).toBe('everything');

  const second = begin(ledger, 2);
  abortAttempt(root, ledger, { begun: second, by: 'op-17', reason: 'guard open', body: {} }, NOW);
  expect(() => issue(root, ledger, second, systemDisk)).toThrow('ended this attempt already');
  expect(recover(root, ledger, NOW)).toEqual([
    `Attempt 2 of ${SERIAL} had ended but left files; they are kept in unissued/TW1-2026-000002.`,
  ]);
  expect(expectAllOrNothing(root, ledger)).toBe('everything');
  expect(auditLedger(ledger.entries()).findings).toEqual([]);
});

test('a record is never written over what is there, and nothing without a file is issued', () => {
  const root = temporaryFolder();
  const ledger = opened(root);
  const begun = begin(ledger, 1);
  const folder = openAttempt(root, begun);
  const ending = { begun, by: 'seal', body: {} };
  expect(() => issueRecord(root, ledger, ending, NOW)).toThrow('no file is to be issued');
  systemDisk.writeFile(join(folder.temporary, 'certificate.csv'), 'a');
  expect(() => {
    systemDisk.writeFile(join(folder.temporary, 'certificate.csv'), 'b');
  }).toThrow('storage/unwritable');
  mkdirSync(folder.final);
  expect(() => issueRecord(root, ledger, ending, NOW)).toThrow(
    `storage/unwritable: "${folder.final}" is there already`,
  );
  expect(readFileSync(join(folder.temporary, 'certificate.csv'), 'utf8')).toBe('a');
});

test('what several interrupted attempts left is kept apart, nothing is deleted', () => {
  const root = temporaryFolder();
  const ledger = opened(root);
  for (const [attempt, serial] of [
    [1, SERIAL],
    [2, SERIAL],
    [1, '../=1+1'],
  ] as const) {
    const { temporary } = openAttempt(root, begin(ledger, attempt, serial));
    writeFileSync(join(temporary, 'capture.parquet'), `${serial} ${attempt}`);
  }
  const both = attemptFolder(root, begin(ledger, 3));
  mkdirSync(both.temporary, { recursive: true });
  mkdirSync(both.final);
  expect(recover(root, ledger, NOW + 1000)).toEqual([
    `Attempt 1 of ${SERIAL}, begun 2026-11-25T14:05:18.250Z, was interrupted. What it left is kept in unissued/TW1-2026-000001; number TW1-2026-000001 stays unused.`,
    `Attempt 2 of ${SERIAL}, begun 2026-11-25T14:05:18.250Z, was interrupted. What it left is kept in unissued/TW1-2026-000002; number TW1-2026-000002 stays unused.`,
    'Attempt 1 of ../=1+1, begun 2026-11-25T14:05:18.250Z, was interrupted. What it left is kept in unissued/TW1-2026-000003; number TW1-2026-000003 stays unused.',
    `Attempt 3 of ${SERIAL}, begun 2026-11-25T14:05:18.250Z, was interrupted. What it left is kept in unissued/TW1-2026-000004, unissued/TW1-2026-000004-2; number TW1-2026-000004 stays unused.`,
  ]);
  const kept = (number: string): string =>
    readFileSync(join(root, 'unissued', number, 'capture.parquet'), 'utf8');
  expect(kept('TW1-2026-000002')).toBe(`${SERIAL} 2`);
  expect(kept('TW1-2026-000003')).toBe('../=1+1 1');
  expect(existsSync(join(dirname(root), '=1+1'))).toBe(false);
  expect(auditLedger(ledger.entries()).findings).toEqual([]);
});

test('records the ledger knows nothing of: an old ledger was restored, and nothing is touched', () => {
  const root = temporaryFolder();
  const ledger = opened(root);
  issue(root, ledger, begin(ledger, 1), systemDisk);
  mkdirSync(join(root, '2026', SERIAL, '02'));
  mkdirSync(join(root, '2026', 'H12-26-04712', '.attempt-01'), { recursive: true });
  mkdirSync(join(root, 'drafts')); // not ours: left alone
  begin(ledger, 3 - 1);
  const before = onDisk(root);
  mkdirSync(join(root, '2026', SERIAL, '03'));
  expect(() => recover(root, ledger, NOW)).toThrow(
    /^ledger\/damaged: The ledger knows nothing of 2026\/H12-26-04711\/03, 2026\/H12-26-04712\/01: it is older than the records\.$/u,
  );
  expect(onDisk(root)).toEqual([...before, `2026/${SERIAL}/03`].sort());
  expect(ledger.last()?.kind).toBe('attempt-begun');
});

test('an earlier clock keeps recovery from making entries, and nothing moves', () => {
  const root = temporaryFolder();
  const ledger = opened(root);
  openAttempt(root, begin(ledger, 1));
  const before = onDisk(root);
  expect(() => recover(root, ledger, NOW - 1)).toThrow('ledger/clock');
  expect(onDisk(root)).toEqual(before);
  expect(recover(root, ledger, NOW).length).toBe(1);
});

test('an attempt of another program is not taken for an interrupted one', async () => {
  const root = temporaryFolder();
  const child = startChild('storage-child.ts', ['hold', root, 'records']);
  await once(child.stdout, 'data');
  const ended = endOf(child);
  const ledger = opened(root);
  openAttempt(root, begin(ledger, 1));
  expect(() => recover(root, ledger, NOW)).toThrow(
    `ledger/busy: Another program has an attempt going on in "${root}".`,
  );
  expect(() => holdRecords(root)).toThrow('ledger/busy');
  child.kill('SIGKILL');
  await ended;
  expect(recover(root, ledger, NOW).length).toBe(1);
  const hold = holdRecords(root);
  expect(() => holdRecords(root)).toThrow('ledger/busy'); // also within one program
  hold.release();
  holdRecords(root).release();
});
