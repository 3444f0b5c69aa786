/** A program of its own that begins and issues attempts, and that can be told to die on the way. */
import { once } from 'node:events';
import { join } from 'node:path';
import { systemDisk, type Disk } from '../../src/ledger/disk.js';
import { beginAttempt } from '../../src/ledger/numbering.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { abortAttempt, holdRecords, issueRecord, openAttempt } from '../../src/ledger/store.js';

const NOW = Date.parse('2026-11-25T14:05:00.000Z');

/** Kills this process, as a power cut would, before the n-th step on the disk; 0 never. */
function mortalDisk(n: number, isLast: boolean): Disk {
  let step = 0;
  const before = (): void => {
    step += 1;
    if (step === n && !isLast) process.kill(process.pid, 'SIGKILL');
  };
  const after = (): void => {
    if (step === n && isLast) process.kill(process.pid, 'SIGKILL');
  };
  const mortal =
    <A extends readonly unknown[]>(operation: (...args: A) => void) =>
    (...args: A): void => {
      before();
      operation(...args);
      after();
    };
  return {
    makeFolder: mortal(systemDisk.makeFolder),
    writeFile: mortal(systemDisk.writeFile),
    sync: mortal(systemDisk.sync),
    rename: mortal(systemDisk.rename),
  };
}

function beginning(serial: string): Parameters<typeof beginAttempt>[1] {
  return { serial, attempt: 1, by: 'op-17', prefix: 'SIM-TW1', body: {} };
}

function issue(root: string, serial: string, disk: Disk): void {
  const ledger = openLedger(join(root, 'ledger.db'));
  const begun = beginAttempt(ledger, beginning(serial), NOW);
  const folder = openAttempt(root, begun, disk);
  for (const name of ['capture.parquet', 'certificate.csv', 'certificate.pdf']) {
    disk.writeFile(join(folder.temporary, name), `${name} of ${serial}`);
  }
  issueRecord(root, ledger, { begun, by: 'seal TW-1', body: { verdict: 'ACCEPT' } }, NOW, disk);
  ledger.close();
}

/** Opens the ledger, says so, and appends once the parent says that everybody is there. */
async function appendMany(root: string, name: string, count: number): Promise<void> {
  const ledger = openLedger(join(root, 'ledger.db'), { patience: 60_000 });
  process.stdout.write('ready\n');
  await once(process.stdin, 'data');
  process.stdin.destroy();
  for (let i = 0; i < count; i += 1) {
    const begun = beginAttempt(ledger, beginning(`${name}-${i}`), NOW);
    abortAttempt(root, ledger, { begun, by: name, reason: 'guard open', body: {} }, NOW);
    const work = join(root, `${name}-${i}`); // what a bench does between two entries
    systemDisk.writeFile(work, name);
    systemDisk.sync(work);
    systemDisk.sync(root);
  }
  ledger.close();
}

/** Holds the ledger, or the records, until the parent closes its end of the pipe. */
function hold(root: string, what: string): void {
  const ledger = openLedger(join(root, 'ledger.db'));
  const untilTold = (release: () => void): void => {
    process.stdin.once('end', release).resume();
    process.stdout.write('holding\n');
  };
  if (what === 'records') {
    const held = holdRecords(root);
    untilTold(() => {
      held.release();
    });
    return;
  }
  untilTold(() => {
    ledger.close();
  });
}

const [task = '', root = '', name = '', count = '0', last = ''] = process.argv.slice(2);
if (task === 'issue') issue(root, name, mortalDisk(Number(count), last === 'after'));
else if (task === 'append') await appendMany(root, name, Number(count));
else if (task === 'hold') hold(root, name);
else throw new Error(`no task "${task}"`);
