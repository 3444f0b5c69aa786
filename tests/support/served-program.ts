import { mkdtempSync, rmSync } from 'node:fs';
import { request } from 'node:http';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Entry, EntryKind } from '../../src/ledger/ledger.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { ledgerFile } from '../../src/run/places.js';
import type { HoldView } from '../../src/serve/hold.js';
import type { NestView } from '../../src/serve/nest-view.js';
import { start, type Running } from './program.js';
import { documentOptions, shortDocuments, type ShortDocuments } from './short-documents.js';

/** How a test wants the program that serves. */
export interface ProgramWish {
  /** `real` where torque must last long enough to be taken away. */
  readonly pace?: 'fast' | 'real';
  /** Stages of the procedure; those of `SHORT_STAGES` when absent. */
  readonly stages?: readonly string[];
  /** Changes the documents before the program reads them. */
  readonly documents?: (documents: ShortDocuments, folder: string) => void;
  /** Prepares keys and people. */
  readonly prepare?: (places: { readonly data: string; readonly keys: string }) => Promise<void>;
}

/** The built program, serving. */
export interface ServedProgram {
  readonly program: Running;
  readonly address: string;
  readonly port: number;
  readonly data: string;
  readonly keys: string;
  /** Entries of the ledger, oldest first. */
  readonly entries: (kind?: EntryKind) => readonly Entry[];
  /** Starts it again on the same records and the same port, after it ended or was killed. */
  readonly again: () => Promise<ServedProgram>;
  /** Ends it as Ctrl-C does. */
  readonly end: () => Promise<void>;
  /** Ends it and removes its folder. */
  readonly remove: () => Promise<void>;
}

/** Starts the built program on short documents, in a folder of its own that `remove` takes away. */
export async function servedProgram(wish: ProgramWish = {}): Promise<ServedProgram> {
  const folder = mkdtempSync(join(tmpdir(), 'stallmark-browser-'));
  const places = { data: join(folder, 'records'), keys: join(folder, 'keys') };
  const documents = shortDocuments(folder, wish.stages);
  wish.documents?.(documents, folder);
  await wish.prepare?.(places);
  const options = [
    ...['--data', places.data, '--keys', places.keys, '--pace', wish.pace ?? 'fast'],
    ...documentOptions(documents),
  ];
  return serving({ folder, ...places, options }, 0);
}

interface Places {
  readonly folder: string;
  readonly data: string;
  readonly keys: string;
  readonly options: readonly string[];
}

async function serving(places: Places, wanted: number): Promise<ServedProgram> {
  const { data, keys, folder, options } = places;
  const program = start(['serve', '--port', String(wanted), ...options]);
  let said = '';
  program.child.stdout?.on('data', (bytes: Buffer) => {
    said += bytes.toString();
  });
  await program.says('Stallmark serves http://');
  const address = /http:\/\/\S+/u.exec(said)?.[0] ?? '';
  const port = Number(new URL(address).port);
  const end = async (): Promise<void> => {
    program.child.kill('SIGINT');
    await program.ended;
  };
  return {
    ...{ program, address, port, data, keys, end },
    entries: (kind) => entriesOf(data, kind),
    again: () => serving(places, port),
    remove: async () => {
      await end();
      rmSync(folder, { recursive: true, force: true });
    },
  };
}

function entriesOf(data: string, kind: EntryKind | undefined): readonly Entry[] {
  const ledger = openLedger(ledgerFile(data), { readOnly: true });
  try {
    return [...ledger.entries()].filter((entry) => kind === undefined || entry.kind === kind);
  } finally {
    ledger.close();
  }
}

/** What a browser is told of the nest, with the moment at which this process heard it. */
export type Heard = NestView & HoldView & { readonly heard: number };

/** Hears what a browser with this cookie would be told, beside the page and without holding the nest. */
export interface Follower {
  /** The view heard last. */
  readonly view: () => Heard;
  /** The present view, or the first one to come, for which this is true. */
  readonly until: (is: (view: Heard) => boolean, what: string) => Promise<Heard>;
  readonly end: () => void;
}

/** ms after which a follower gives up: far longer than anything waited for here may take. */
const PATIENCE = 60_000;

/** Follows the nest of a served program. */
export function follow({ port }: Pick<ServedProgram, 'port'>, cookie: string): Follower {
  let last: Heard | undefined;
  const watches = new Set<(view: Heard) => void>();
  let kept = '';
  const headers = { host: `127.0.0.1:${String(port)}`, cookie };
  const sent = request({ port, host: '127.0.0.1', path: '/api/nest?tab=follower-1', headers });
  sent.on('response', (response) => {
    response.setEncoding('utf8');
    response.on('data', (text: string) => {
      kept += text;
      const events = kept.split('\n\n');
      kept = events.pop() ?? '';
      for (const event of events) {
        const data = /^event: nest\ndata: (.*)$/su.exec(event)?.[1];
        if (data === undefined) continue;
        last = { ...(JSON.parse(data) as NestView & HoldView), heard: performance.now() };
        for (const look of watches) look(last);
      }
    });
    response.on('error', () => undefined); // a killed server breaks the stream off
  });
  sent.on('error', () => undefined);
  sent.end();
  const until: Follower['until'] = (is, what) =>
    new Promise((resolve, reject) => {
      const late = setTimeout(() => {
        watches.delete(look);
        reject(new Error(`never heard of: ${what}; last: ${JSON.stringify(last?.phase)}`));
      }, PATIENCE);
      const look = (view: Heard): void => {
        if (!is(view)) return;
        clearTimeout(late);
        watches.delete(look);
        resolve(view);
      };
      watches.add(look);
      if (last !== undefined) look(last);
    });
  const view = (): Heard => {
    if (last === undefined) throw new Error('nothing was heard of the nest yet');
    return last;
  };
  return { view, until, end: () => sent.destroy() };
}
