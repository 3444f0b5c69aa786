import { appendFileSync, existsSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type { Identity } from '../../src/bench/bench.js';
import { identityOf } from '../../src/bench/nameplate.js';
import { drawItem } from '../../src/bench/spread.js';
import { readCertificateCsv } from '../../src/certificate/csv-table.js';
import { plotsOf } from '../../src/certificate/figures.js';
import { drawPlots } from '../../src/cli/plots.js';
import type { Terminal } from '../../src/cli/terminal.js';
import { readTold } from '../../src/readiness/built-in.js';
import { assemble } from '../../src/run/assemble.js';
import { attemptItem } from '../../src/run/attempt.js';
import { prepare, readDocuments, type Documents } from '../../src/run/documents.js';
import type { Issued } from '../../src/run/issue.js';
import { recentRecords } from '../../src/run/recent-records.js';
import { rescored } from '../../src/run/rescored.js';
import { storedRecord } from '../../src/run/stored-record.js';
import { storedTrace } from '../../src/run/stored-trace.js';
import { handClock } from '../support/clock.js';
import { temporaryFolder } from '../support/folder.js';
import { shortDocuments, type ShortDocuments } from '../support/short-documents.js';
import { orderOf } from '../support/order.js';
import { attemptsReading } from '../../src/serve/quality-traces.js';

// One item is tested once by the true program; everything here reads what that left behind.

const SERIAL = 'H12-26-00001';
const folder = mkdtempSync(join(tmpdir(), 'stallmark-rescored-'));
const root = join(folder, 'records');
let issued: Issued;
let paths: ShortDocuments;
let documents: Documents;

beforeAll(async () => {
  paths = shortDocuments(folder);
  const chosen = prepare({ serial: SERIAL, ...paths });
  documents = readDocuments([paths.procedure, paths.bench]);
  const clock = handClock();
  const keys = join(folder, 'keys'); // simulation keys are made there
  const parts = await assemble({
    ...{ documents: chosen, serial: SERIAL, root, keys, passphrase: undefined, faults: [] },
    ...{ pace: 'fast', clock, scoreHere: true },
  });
  const order = orderOf({ serial: SERIAL, documents: chosen, clock });
  const run = attemptItem(order, parts);
  for (let next = await run.next(); ; next = await run.next()) {
    if (next.done !== true) continue;
    issued = next.value;
    break;
  }
  parts.ledger.close();
}, 60_000);

/** What a simulated bench says of this item, drawn anew. */
function simulatedIdentity(): Identity {
  const { station } = prepare({ serial: SERIAL, ...paths });
  return identityOf(drawItem(SERIAL, station.stand.resonance));
}

afterAll(() => {
  rmSync(folder, { recursive: true, force: true });
});

async function problemOf(promise: Promise<unknown>): Promise<string> {
  try {
    await promise;
    return 'nothing';
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    return error.problems.map(({ code, what }) => `${code} ${what}`).join('\n');
  }
}

test('what the device told of itself is on the record and in its entry', () => {
  const told = simulatedIdentity();
  const table = readCertificateCsv(readFileSync(join(issued.folder, 'certificate.csv')));
  if ('damage' in table) throw new Error(table.sentence);
  const textOf = (item: string): string | undefined =>
    table.rows.find((row) => row.section === 'record' && row.item === item)?.text;
  expect(textOf('item revision, as it says')).toBe('C3');
  expect(textOf('item parameters digest')).toBe(told.parametersDigest);
  expect(told.components?.map(({ kind }) => kind)).toEqual(['motor', 'drive', 'encoder']);
  for (const { kind, serial } of told.components ?? []) {
    expect(textOf(`component ${kind}`)).toBe(serial);
  }
  expect(readTold(issued.entry)).toMatchObject({
    ...{ serial: SERIAL, attempt: 1, certificate: issued.certificate.number, simulated: true },
    ...{ revision: 'C3', parametersDigest: told.parametersDigest, components: told.components },
  });
});

test('stored samples give the figures of the run again, point for point', async () => {
  const again = await rescored(storedRecord(root, { serial: SERIAL }), documents);
  const figures = (sources: Issued['sources']): unknown =>
    plotsOf({ ...sources, gates: [] }).map(({ stage, characteristic, words, figure }) => ({
      ...{ stage, characteristic, words, figure },
    }));
  expect(again.withheld).toEqual([]);
  expect(again.notes).toEqual([]);
  expect(figures(again.sources)).toEqual(figures(issued.sources));
  expect(plotsOf(again.sources).length).toBeGreaterThan(0);
});

test('one stage alone is scored as among the others', async () => {
  const stored = storedRecord(root, { number: issued.certificate.number });
  const all = await rescored(stored, documents);
  const one = await rescored(stored, documents, (stage) => stage === 'steps-0');
  const ofStage = all.sources.results.filter(({ limit }) => limit.stage === 'steps-0');
  expect(ofStage.length).toBeGreaterThan(1);
  expect(one.sources.results).toEqual(ofStage);
});

test('a value that comes out otherwise than on the record is not drawn, and said so', async () => {
  const stored = storedRecord(root, { serial: SERIAL });
  const rows = stored.record.rows.map((row) =>
    row.characteristic === 'rise-time' ? { ...row, value: (row.value ?? 0) * 1.001 } : row,
  );
  const altered = { ...stored, record: { ...stored.record, rows } };
  const again = await rescored(altered, documents);
  expect(again.withheld.map(({ row }) => row)).toEqual(['steps-0.rise-time']);
  const drawn = plotsOf(again.sources).map(({ characteristic }) => characteristic);
  expect(drawn).not.toContain('rise-time');
  expect(drawn.length).toBeGreaterThan(0);
});

test('another text of the procedure is told, and draws only what comes out the same', async () => {
  const other = documents.procedures.map((one) => ({ ...one, digest: '0'.repeat(64), issue: 99 }));
  const again = await rescored(storedRecord(root, { serial: SERIAL }), {
    ...documents,
    procedures: other,
  });
  expect(again.notes).toEqual([expect.stringContaining('issue 99')]);
  expect(again.sources.scores).toEqual([]);
  expect(again.sources.results.length).toBeGreaterThan(0);
});

test('a capture whose digest is not that of the table is not drawn', async () => {
  const stored = storedRecord(root, { serial: SERIAL });
  const copy = temporaryFolder();
  const file = join(stored.folder, 'capture.parquet');
  const bytes = readFileSync(file);
  const spoiled = { ...stored, folder: copy };
  expect(await problemOf(rescored(spoiled, documents))).toContain('is not there');
  appendFileSync(join(copy, 'capture.parquet'), bytes);
  appendFileSync(join(copy, 'capture.parquet'), 'x');
  expect(await problemOf(rescored(spoiled, documents))).toMatch(
    /^storage\/unreadable .*is not the file that the record was scored from/u,
  );
});

test('a procedure that is not among the documents is named', async () => {
  const stored = storedRecord(root, { serial: SERIAL });
  expect(await problemOf(rescored(stored, { ...documents, procedures: [] }))).toContain(
    'document/mismatch',
  );
});

test('a stage is given as it was stored, command and torque, thinned', async () => {
  const stored = storedRecord(root, { serial: SERIAL });
  const trace = await storedTrace(stored, { stage: 'steps-0' });
  expect(Math.max(...trace.command.y.map(Number))).toBeGreaterThan(2.99);
  expect(Math.max(...trace.produced.y.map(Number))).toBeGreaterThan(2.9);
  expect(trace.command.x.length).toBeLessThanOrEqual(802);
  expect(trace.produced.x).toHaveLength(trace.produced.y.length);
  const part = await storedTrace(stored, { stage: 'steps-0', from: 0.1, to: 0.2 });
  expect(part.command.x.at(0)).toBe(0.1);
  expect(part.command.x.at(-1)).toBeCloseTo(0.2, 4);
  expect(await problemOf(storedTrace(stored, { stage: 'thermal' }))).toContain('usage/argument');
});

test('plots of the command line are those of the run', async () => {
  const out = temporaryFolder();
  const said: string[] = [];
  const to = {
    out: (text: string) => said.push(text),
    err: (text: string) => said.push(text),
  } as unknown as Terminal;
  const options = { out, data: root, procedure: paths.procedure, bench: paths.bench };
  await drawPlots(issued.certificate.number, { ...options, json: true }, to);
  const { files } = JSON.parse(said.join('\n')) as { readonly files: readonly string[] };
  expect(files.map((file) => existsSync(file))).toEqual(files.map(() => true));
  expect(files).toContain(join(out, 'steps-0.rise-time.svg'));
});

test('records and attempts are found in the ledger, and what is not there is said', async () => {
  const { number } = issued.certificate;
  const recent = recentRecords(root, 10, () => true);
  expect(recent.records.map((record) => record.number)).toEqual([number]);
  expect(recentRecords(root, 10, () => false).records).toEqual([]);
  const found = async (find: string): Promise<readonly string[]> => {
    const asked = await attemptsReading.read({ find }, { root, keys: folder, pace: 'fast' });
    if (asked.kind !== 'answer') throw new Error('so short a ledger is taken over at once');
    return asked.answer.map((one) => one.number);
  };
  for (const text of ['', SERIAL, SERIAL.toLowerCase(), '00001', number.slice(-6)]) {
    expect(await found(text)).toEqual([number]);
  }
  expect(await found('99999')).toEqual([]);
  const wrong = Promise.resolve().then(() => storedRecord(root, { serial: 'H12-26-99999' }));
  expect(await problemOf(wrong)).toContain('usage/argument');
});
