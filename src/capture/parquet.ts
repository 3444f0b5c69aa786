import { createHash } from 'node:crypto';
import { open } from 'node:fs/promises';
import type { FileHandle } from 'node:fs/promises';
import { gunzipSync, gzipSync } from 'node:zlib';
import { asyncBufferFromFile, parquetMetadataAsync, parquetScan } from 'hyparquet';
import type { ParquetScan, SchemaElement } from 'hyparquet';
import { ByteWriter, ParquetWriter } from 'hyparquet-writer';
import type { ColumnSource } from 'hyparquet-writer';
import { StallmarkError } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import { CHANNELS } from '../bench/bench.js';
import type { Capture, Take } from './capture.js';
import { CHANNEL_UNITS } from '../bench/bench.js';
import { headingFromJson, headingToJson } from './layout.js';
import type { Heading } from './layout.js';

/** Version of the layout below: the columns and the keys `units` and `takes`. */
const LAYOUT = '1';

const column = (name: string, type: 'INT32' | 'FLOAT' | 'BYTE_ARRAY'): SchemaElement => ({
  name,
  type,
  repetition_type: 'REQUIRED',
  ...(type === 'BYTE_ARRAY' ? { converted_type: 'UTF8' as const } : {}),
});

const SCHEMA: readonly SchemaElement[] = [
  { name: 'capture', num_children: 5 + CHANNELS.length },
  column('stage', 'BYTE_ARRAY'),
  column('take', 'INT32'),
  column('smoothing', 'INT32'),
  column('fixture', 'BYTE_ARRAY'),
  column('sample', 'INT32'),
  ...CHANNELS.map((channel) => column(channel, 'FLOAT')),
];

/** What became of a capture file. */
export interface StoredFile {
  readonly bytes: number;
  /** Of the whole file, 64 hexadecimal digits. */
  readonly sha256: string;
}

/**
 * Writes the captures of one attempt to a Parquet file, one row group per take, while the run goes
 * on. The values are the very binary32 values that are scored. Samples that never came and channels
 * that never came are NaN; which they are stands in the key `takes`.
 *
 * Not for the control loop: storing a second of samples takes milliseconds without a pause.
 *
 * Source: Apache Parquet format 2 (from memory), through a library.
 * Check: tests/unit/parquet.test.ts reads the file with a second, unrelated reader.
 */
export class CaptureFile {
  readonly #path: string;
  readonly #handle: FileHandle;
  readonly #bytes = new ByteWriter(1 << 20);
  readonly #hash = createHash('sha256');
  readonly #parquet: ParquetWriter;
  readonly #headings: Heading[] = [];
  readonly #metadata: Readonly<Record<string, string>>;
  #last: Promise<void> = Promise.resolve();

  private constructor(
    path: string,
    handle: FileHandle,
    metadata: Readonly<Record<string, string>>,
  ) {
    this.#path = path;
    this.#handle = handle;
    this.#metadata = metadata;
    this.#parquet = new ParquetWriter({
      writer: Object.assign(this.#bytes, { flush: () => this.#flush() }),
      schema: [...SCHEMA],
      codec: 'GZIP',
      compressors: { GZIP: (input) => gzipSync(input, { level: 1 }) },
      createdBy: 'stallmark',
      statistics: false, // a third of the cost of storing; readers only skip by stage
    });
  }

  /**
   * Creates the file; one that is there already is never written over.
   *
   * @param metadata - What the file says of itself, e.g. serial, attempt, digests and the mark of a
   * simulated run. The keys layout, units, rates_Hz and takes are added.
   * @throws storage/unwritable, storage/full.
   */
  static async create(
    path: string,
    metadata: Readonly<Record<string, string>>,
  ): Promise<CaptureFile> {
    const handle = await open(path, 'wx').catch((cause: unknown) => {
      throw unwritable(path, cause);
    });
    return new CaptureFile(path, handle, metadata);
  }

  /**
   * Adds the takes of a stage. May be called before the last call is done: stages keep their order.
   *
   * @throws storage/unwritable, storage/full, and again with every later call.
   */
  append(capture: Capture): Promise<void> {
    this.#last = this.#last.then(async () => {
      for (const [i, take] of capture.takes.entries())
        await this.#write(capture.stage, i + 1, take);
    });
    return this.#last;
  }

  /**
   * Ends the file and returns once it is on the disk. Its folder is for the caller to sync.
   *
   * @throws storage/unwritable, storage/full.
   */
  async close(): Promise<StoredFile> {
    await this.#last;
    this.#parquet.kvMetadata = this.#keyValues();
    try {
      await this.#parquet.finish();
      await this.#flush();
      await this.#handle.sync();
      await this.#handle.close();
    } catch (cause) {
      throw unwritable(this.#path, cause);
    }
    return { bytes: this.#bytes.offset, sha256: this.#hash.digest('hex') };
  }

  /** Gives the file up as it is: without its end no reader takes it for whole. */
  async abandon(): Promise<void> {
    await this.#last.catch(() => undefined); // whoever appended was told
    await this.#handle.close();
  }

  async #write(stage: string, place: number, take: Take): Promise<void> {
    const { channels, ...rest } = take;
    const present = CHANNELS.filter((channel) => channels[channel] !== undefined);
    this.#headings.push({ stage, place, channels: present, take: rest });
    if (take.expected === 0) return; // a row group has at least one row
    const columnData = columnsOf(stage, place, take);
    try {
      await this.#parquet.write({ columnData, rowGroupSize: take.expected });
    } catch (cause) {
      throw unwritable(this.#path, cause);
    }
  }

  async #flush(): Promise<void> {
    const bytes = this.#bytes.getBytes();
    this.#hash.update(bytes);
    await this.#handle.writeFile(bytes);
    this.#bytes.index = 0;
  }

  #keyValues(): { key: string; value: string }[] {
    const rates = [...new Set(this.#headings.map(({ take }) => take.rate))];
    const all = {
      ...this.#metadata,
      layout: LAYOUT,
      units: JSON.stringify(CHANNEL_UNITS),
      rates_Hz: JSON.stringify(rates),
      takes: JSON.stringify(this.#headings.map(headingToJson)),
    };
    return Object.entries(all).map(([key, value]) => ({ key, value }));
  }
}

/** The encodings are those that keep every bit: the default of the library makes +0 of −0. */
function columnsOf(stage: string, place: number, take: Take): ColumnSource[] {
  const rows = take.expected;
  const constant = (name: string, value: number): ColumnSource => ({
    name,
    data: new Int32Array(rows).fill(value),
    type: 'INT32',
    encoding: 'DELTA_BINARY_PACKED',
  });
  const words = (name: string, value: string): ColumnSource => ({
    name,
    data: new Array<string>(rows).fill(value),
    type: 'STRING',
    encoding: 'RLE_DICTIONARY',
    statistics: true,
  });
  return [
    words('stage', stage),
    constant('take', place),
    constant('smoothing', take.settings.smoothing),
    words('fixture', take.settings.fixture),
    {
      name: 'sample',
      data: new Int32Array(rows).map((_, i) => i),
      type: 'INT32',
      encoding: 'DELTA_BINARY_PACKED',
    },
    ...CHANNELS.map((channel): ColumnSource => ({
      name: channel,
      data: take.channels[channel] ?? new Float32Array(rows).fill(NaN),
      type: 'FLOAT',
      encoding: 'BYTE_STREAM_SPLIT',
    })),
  ];
}

/** A capture file read back. */
export interface StoredCapture {
  readonly metadata: ReadonlyMap<string, string>;
  /** In the order of the stages, bit by bit as they were stored; not screened. */
  readonly captures: readonly Capture[];
}

/**
 * Reads a capture file back, to be screened and scored again. Compare its digest first.
 *
 * @param only - Stages that are read; all of them if left out.
 * @throws storage/unreadable when the file is missing, cut short, or not what `CaptureFile` writes.
 */
export async function readCapture(
  path: string,
  only: (stage: string) => boolean = () => true,
): Promise<StoredCapture> {
  try {
    const file = await asyncBufferFromFile(path);
    const footer = await parquetMetadataAsync(file);
    const metadata = new Map(
      (footer.key_value_metadata ?? []).map(({ key, value }) => [key, value ?? '']),
    );
    if (metadata.get('layout') !== LAYOUT) throw new Error(`its layout is not ${LAYOUT}`);
    const headings: unknown = JSON.parse(metadata.get('takes') ?? '');
    if (!Array.isArray(headings)) throw new Error('takes is no list');
    const compressors = { GZIP: (input: Uint8Array) => gunzipSync(input) };
    const scan = await parquetScan({ file, metadata: footer, compressors });
    return { metadata, captures: await readTakes(scan, headings.map(headingFromJson), only) };
  } catch (cause) {
    const what = `${path} cannot be read as a capture: ${messageOf(cause)}.`;
    const fix = 'Take the file from the backup of the records; the digest tells which is the one.';
    throw new StallmarkError([{ code: 'storage/unreadable', what, fix }], { cause });
  }
}

async function readTakes(
  scan: ParquetScan,
  headings: readonly Heading[],
  only: (stage: string) => boolean,
): Promise<readonly Capture[]> {
  const captures: { stage: string; takes: Take[] }[] = [];
  let row = 0;
  for (const heading of headings) {
    if (!only(heading.stage)) {
      row += heading.take.expected;
      continue;
    }
    if (heading.place === 1) captures.push({ stage: heading.stage, takes: [] });
    const capture = captures.at(-1);
    if (capture?.stage !== heading.stage || capture.takes.length + 1 !== heading.place) {
      throw new Error(`take ${heading.place} of ${heading.stage} is out of order`);
    }
    capture.takes.push(await readTake(scan, heading, row));
    row += heading.take.expected;
  }
  if (BigInt(row) !== scan.metadata.num_rows) throw new Error('rows and takes do not agree');
  return captures.map(({ stage, takes }) => {
    if (!isNonEmpty(takes)) throw new Error(`${stage} has no takes`);
    return { stage, takes };
  });
}

async function readTake(scan: ParquetScan, heading: Heading, row: number): Promise<Take> {
  const { take, channels } = heading;
  const rows = { rowStart: row, rowEnd: row + take.expected };
  const read: [string, Float32Array][] = [];
  for (const channel of channels) {
    const values = await scan.readColumn({ column: channel, ...rows });
    read.push([channel, Float32Array.from(values as ArrayLike<number>)]);
  }
  return { ...take, channels: Object.fromEntries(read) };
}

function unwritable(path: string, cause: unknown): StallmarkError {
  if (cause instanceof StallmarkError) return cause;
  const isFull = /ENOSPC|EDQUOT/u.test(messageOf(cause));
  const what = `The capture could not be written to ${path}: ${messageOf(cause)}.`;
  return new StallmarkError(
    [
      isFull
        ? { code: 'storage/full', what, fix: 'Make room on the disk, then begin a new attempt.' }
        : { code: 'storage/unwritable', what, fix: 'Give a folder that can be written to.' },
    ],
    { cause },
  );
}

function messageOf(cause: unknown): string {
  return cause instanceof Error ? cause.message : String(cause);
}
