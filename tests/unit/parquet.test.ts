import { mkdtempSync, readFileSync, rmSync, truncateSync, writeFileSync } from 'node:fs';
import { open } from 'node:fs/promises';
import type { FileHandle } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { DuckDBInstance } from '@duckdb/node-api';
import { afterAll, beforeAll, expect, test, vi } from 'vitest';
import { sha256 } from '../../src/base/canonical.js';
import { StallmarkError } from '../../src/base/error.js';
import type { Capture, Take } from '../../src/capture/capture.js';
import { CaptureFile, readCapture } from '../../src/capture/parquet.js';
import type { StoredFile } from '../../src/capture/parquet.js';
import { makeTake, withChannel } from '../support/takes.js';

const folder = mkdtempSync(join(tmpdir(), 'stallmark-parquet-'));
afterAll(() => {
  rmSync(folder, { recursive: true });
});

const METADATA = {
  serial: 'H12-26-04711',
  attempt: '1',
  mark: 'SIMULATED – NOT A PRODUCT RECORD',
  procedure: 'a'.repeat(64),
};

const sine = (time: number): number => 6 * Math.sin(2 * Math.PI * time);
const zero: Capture = {
  stage: 'zero',
  takes: [
    {
      ...makeTake({ seconds: 0.1, seed: 3 }),
      settings: { smoothing: 0, fixture: 'uncoupled' },
    },
  ],
};
const sweep: Capture = {
  stage: 'sweep',
  takes: [
    makeTake({ seconds: 0.25, torque: sine, smoothing: 0 }),
    withChannel(makeTake({ seconds: 0.25, torque: sine, smoothing: 1, seed: 2 }), 'torque', (s) => {
      s[0] = -0;
      s[1] = 0;
      s[2] = 7.25; // the one greatest torque
      s[3] = 2 ** -149; // the least binary32 above 0
    }),
  ],
};
const { winding, ...noWinding } = makeTake({ seconds: 0.05, seed: 5 }).channels;
const broken: Capture = {
  stage: 'link-loss',
  takes: [
    {
      ...withChannel(makeTake({ seconds: 0.05, seed: 5 }), 'torque', (s) => s.fill(NaN, 300, 700)),
      channels: {
        ...noWinding,
        torque: (noWinding.torque ?? new Float32Array()).slice().fill(NaN, 300, 700),
      },
      gaps: [{ at: 300, samples: 400 }],
      misplaced: 12,
      device: { updates: 30, missing: 20, time: 0.05, fault: 4 },
    },
  ],
};
const stages = [zero, sweep, broken];

const path = join(folder, 'capture.parquet');
let stored: StoredFile;

beforeAll(async () => {
  const file = await CaptureFile.create(path, METADATA);
  // Not waited for one by one: the file must keep the order by itself.
  await Promise.all(stages.map((stage) => file.append(stage)));
  stored = await file.close();
});

/** Rows of a query on the file, read by DuckDB. */
async function query(sql: string): Promise<readonly (readonly unknown[])[]> {
  const instance = await DuckDBInstance.create(':memory:');
  const connection = await instance.connect();
  const reader = await connection.runAndReadAll(sql.replaceAll('$file', `'${path}'`));
  connection.closeSync();
  instance.closeSync();
  return reader.getRows();
}

/** The bits of binary32 values, so that −0 differs from 0 and NaN equals itself. */
function bits(samples: Float32Array | undefined): readonly number[] {
  if (samples === undefined) return [];
  return [...new Uint32Array(samples.buffer, samples.byteOffset, samples.length)];
}

const withoutSamples = ({ channels, ...rest }: Take): unknown => ({
  ...rest,
  channels: Object.keys(channels).sort(),
});

test('what is closed has the size and digest that were returned', () => {
  const bytes = readFileSync(path);
  expect(bytes).toHaveLength(stored.bytes);
  expect(sha256(bytes)).toBe(stored.sha256);
});

test('reading back gives every stage, take, gap, report and bit, −0 and NaN among them', async () => {
  const { captures, metadata } = await readCapture(path);
  expect(captures.map(({ stage }) => stage)).toEqual(['zero', 'sweep', 'link-loss']);
  captures.forEach((capture, i) => {
    const original = stages[i]?.takes ?? [];
    expect(capture.takes.map(withoutSamples)).toEqual(original.map(withoutSamples));
    capture.takes.forEach((take, k) => {
      for (const channel of ['command', 'current', 'torque', 'supply', 'winding'] as const) {
        expect(bits(take.channels[channel])).toEqual(bits(original[k]?.channels[channel]));
      }
    });
  });
  const torque = captures[1]?.takes[1]?.channels.torque;
  expect([torque?.[0], torque?.[1], torque?.[3]]).toEqual([-0, 0, 2 ** -149]);
  expect(winding).toBeDefined();
  expect(captures[2]?.takes[0].channels.winding).toBeUndefined();
  expect(metadata.get('serial')).toBe('H12-26-04711');
});

test('DuckDB counts the samples of each take and finds the greatest torque', async () => {
  const rows = await query(
    `SELECT stage, take, smoothing, fixture, count(*)::INT, max(sample)
     FROM read_parquet($file, file_row_number = true)
     GROUP BY ALL ORDER BY min(file_row_number)`,
  );
  expect(rows).toEqual([
    ['zero', 1, 0, 'uncoupled', 2000, 1999],
    ['sweep', 1, 0, 'coupled', 5000, 4999],
    ['sweep', 2, 1, 'coupled', 5000, 4999],
    ['link-loss', 1, 2, 'coupled', 1000, 999],
  ]);
  const [greatest] = await query(
    "SELECT sample / 20000.0, torque FROM $file WHERE stage = 'sweep' ORDER BY torque DESC LIMIT 1",
  );
  expect(greatest).toEqual([0.0001, 7.25]);
});

test('DuckDB computes the rms torque that the samples have', async () => {
  const [row] = await query(
    "SELECT sqrt(avg(torque::DOUBLE ** 2)) FROM $file WHERE stage = 'sweep' AND take = 1",
  );
  const torque = sweep.takes[0].channels.torque ?? new Float32Array();
  const squares = torque.reduce((sum, value) => sum + value * value, 0);
  expect(row?.[0]).toBeCloseTo(Math.sqrt(squares / torque.length), 9);
});

test('DuckDB sees −0, lost samples and the missing channel as they are', async () => {
  const [reciprocals] = await query(
    "SELECT list(1 / torque ORDER BY sample) FROM $file WHERE take = 2 AND sample < 2 AND stage = 'sweep'",
  );
  const { items } = reciprocals?.[0] as { readonly items: readonly number[] };
  expect(items).toEqual([-Infinity, Infinity]);
  const [counts] = await query(
    "SELECT sum(isnan(torque)::INT)::INT, sum(isnan(winding)::INT)::INT, min(sample) FILTER (isnan(torque)) FROM $file WHERE stage = 'link-loss'",
  );
  expect(counts).toEqual([400, 1000, 300]);
});

test('DuckDB reads the metadata: serial, mark, units, rate and one heading per take', async () => {
  const rows = await query('SELECT decode(key), decode(value) FROM parquet_kv_metadata($file)');
  const metadata = new Map(rows.map(([key, value]) => [key, value as string]));
  expect(metadata.get('serial')).toBe('H12-26-04711');
  expect(metadata.get('attempt')).toBe('1');
  expect(metadata.get('mark')).toBe('SIMULATED – NOT A PRODUCT RECORD');
  expect(JSON.parse(metadata.get('units') ?? '')).toMatchObject({ torque: 'N·m', current: 'A' });
  expect(JSON.parse(metadata.get('rates_Hz') ?? '')).toEqual([20_000]);
  const takes = JSON.parse(metadata.get('takes') ?? '') as { channels: string[]; gaps: unknown }[];
  expect(takes).toHaveLength(4);
  expect(takes[3]).toMatchObject({
    gaps: [{ at: 300, samples: 400 }],
    channels: ['command', 'current', 'torque', 'supply'],
  });
  const [groups] = await query(
    'SELECT count(DISTINCT row_group_id)::INT FROM parquet_metadata($file)',
  );
  expect(groups).toEqual([4]);
});

async function problemOf(act: Promise<unknown>): Promise<string> {
  const error: unknown = await act.then(
    () => undefined,
    (thrown: unknown) => thrown,
  );
  if (!(error instanceof StallmarkError)) throw new Error('nothing was refused', { cause: error });
  return error.problems.map(({ code, what }) => `${code} ${what}`).join('\n');
}

test('a file that is there is never written over', async () => {
  const before = sha256(readFileSync(path));
  expect(await problemOf(CaptureFile.create(path, METADATA))).toContain('storage/unwritable');
  expect(sha256(readFileSync(path))).toBe(before);
});

test('a folder that is not there is refused', async () => {
  const nowhere = join(folder, 'nowhere', 'capture.parquet');
  expect(await problemOf(CaptureFile.create(nowhere, METADATA))).toContain('ENOENT');
});

test('a disk that fills up is said, with every later call too', async () => {
  const file = await CaptureFile.create(join(folder, 'full.parquet'), METADATA);
  const handle = await open(path);
  const full = new Error('ENOSPC: no space left on device, write');
  const disk = vi.spyOn(Object.getPrototypeOf(handle) as FileHandle, 'writeFile');
  disk.mockRejectedValueOnce(full);
  await handle.close();
  expect(await problemOf(file.append(zero))).toContain('storage/full');
  disk.mockRestore();
  expect(await problemOf(file.append(zero))).toContain('storage/full');
  expect(await problemOf(file.close())).toContain('storage/full');
  await file.abandon();
});

test('a file that was taken away from under the writer is said', async () => {
  const file = await CaptureFile.create(join(folder, 'taken.parquet'), METADATA);
  await file.abandon();
  expect(await problemOf(file.append(zero))).toContain('storage/unwritable');
});

test('a file given up half way is no capture', async () => {
  const half = join(folder, 'half.parquet');
  const file = await CaptureFile.create(half, METADATA);
  await file.append(sweep);
  await file.abandon();
  expect(await problemOf(readCapture(half))).toContain('storage/unreadable');
});

test('a file without stages is a capture without stages', async () => {
  const empty = join(folder, 'empty.parquet');
  await (await CaptureFile.create(empty, METADATA)).close();
  expect((await readCapture(empty)).captures).toEqual([]);
});

const damages: readonly (readonly [string, (file: string) => void])[] = [
  [
    'cut short by a byte',
    (file) => {
      truncateSync(file, stored.bytes - 1);
    },
  ],
  [
    'cut short by half',
    (file) => {
      truncateSync(file, Math.floor(stored.bytes / 2));
    },
  ],
  [
    'emptied',
    (file) => {
      truncateSync(file, 0);
    },
  ],
  [
    'another file',
    (file) => {
      writeFileSync(file, 'stage,take\n');
    },
  ],
  [
    'missing',
    (file) => {
      rmSync(file);
    },
  ],
  [
    'damaged in its samples',
    (file) => {
      const bytes = readFileSync(file);
      bytes.fill(0xff, 2000, 2400);
      writeFileSync(file, bytes);
    },
  ],
];
for (const [name, damage] of damages) {
  test(`a file that is ${name} is refused with its path`, async () => {
    const copy = join(folder, 'damaged.parquet');
    writeFileSync(copy, readFileSync(path));
    damage(copy);
    const problem = await problemOf(readCapture(copy));
    expect(problem).toContain('storage/unreadable');
    expect(problem).toContain(copy);
    rmSync(copy, { force: true });
  });
}
