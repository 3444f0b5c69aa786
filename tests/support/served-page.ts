import { mkdirSync, writeFileSync } from 'node:fs';
import { request, type IncomingMessage, type OutgoingHttpHeaders } from 'node:http';
import { join } from 'node:path';
import { onTestFinished } from 'vitest';
import { openLedger } from '../../src/ledger/sqlite.js';
import type { Ledger } from '../../src/ledger/ledger.js';
import { addPerson, initRegister } from '../../src/people/administration.js';
import { personOf, readRegister } from '../../src/people/register.js';
import { openLog } from '../../src/run/log.js';
import { ledgerFile } from '../../src/run/places.js';
import { openClerk } from '../../src/serve/clerk.js';
import { readingAnswer, type ReadQuestion, type Readings } from '../../src/serve/reader.js';
import { serve, type Running } from '../../src/serve/server.js';
import { Sessions, sessionsFile } from '../../src/serve/sessions.js';
import { pageFiles } from '../../src/serve/static.js';
import { askedHere, type Asker } from '../../src/serve/thread.js';
import type { Judge } from '../../src/serve/visit.js';
import { handClock, type HandClock } from './clock.js';
import { FakeDesk } from './fake-desk.js';
import { temporaryFolder } from './folder.js';
import { LOW_COST, PEOPLE, SECRETS, type TestId } from './people.js';

/** Answer of a server. */
export interface Answer {
  readonly status: number;
  readonly headers: IncomingMessage['headers'];
  readonly text: string;
  /** Code of the first problem; empty when there is none. */
  readonly code: string;
}

/** How a request differs from that of a page. */
export interface Wish {
  readonly method?: string;
  readonly headers?: OutgoingHttpHeaders;
  readonly body?: unknown;
  /** Sent as it is, instead of `body`. */
  readonly raw?: string;
  /** Address to connect to. */
  readonly to?: string;
}

/** A browser with its cookie and token. */
export interface Browser {
  readonly ask: (path: string, wish?: Wish) => Promise<Answer>;
  readonly post: (path: string, body: unknown, headers?: OutgoingHttpHeaders) => Promise<Answer>;
  readonly logIn: (id: TestId, place?: 'bench' | 'desk') => Promise<Answer>;
  cookie: string;
  token: string;
}

/** A server over real sockets with a bench that is not real. */
export interface ServedPage {
  readonly running: Running;
  readonly desk: FakeDesk;
  readonly clock: HandClock;
  readonly sessions: Sessions;
  readonly root: string;
  readonly keys: string;
  readonly browser: (to?: string) => Browser;
  /** The ledger of the server, opened for one look. */
  readonly ledger: <T>(look: (ledger: Ledger) => T) => T;
}

/** How a test wants its server. */
export interface ServedWish {
  readonly hasRegister?: boolean;
  readonly readings?: Readings;
  readonly reader?: Asker<ReadQuestion>;
  readonly judge?: Judge;
  readonly listen?: string;
  readonly names?: readonly string[];
}

/** Starts a server that ends with the running test. */
export async function servedPage(wish: ServedWish = {}): Promise<ServedPage> {
  const folder = temporaryFolder();
  const [root, keys, pages] = ['records', 'keys', 'page'].map((name) => join(folder, name)) as [
    ...[string, string, string],
  ];
  for (const made of [root, join(pages, 'assets')]) mkdirSync(made, { recursive: true });
  writeFileSync(join(pages, 'index.html'), '<!doctype html><title>page</title>');
  writeFileSync(join(pages, 'assets', 'main-abc123.js'), 'export {};');
  writeFileSync(join(folder, 'secret.txt'), 'not for browsers');
  const clock = handClock();
  if (wish.hasRegister !== false) await people(root, keys, clock);
  const desk = new FakeDesk();
  const log = openLog(join(root, 'serve.jsonl'));
  const site = { root, keys, pace: 'fast', clock, log } as const;
  const sessions = new Sessions(sessionsFile(root));
  const reader =
    wish.reader ?? askedHere((asked) => readingAnswer(wish.readings ?? {}, site, asked));
  const parts = {
    site,
    desk,
    reader,
    clerk: openClerk(site, true),
    sessions,
    pages: pageFiles(pages),
  };
  const running = await serve(
    { ...parts, ...(wish.judge === undefined ? {} : { judge: wish.judge }) },
    { listen: wish.listen ?? '127.0.0.1', port: 0, names: wish.names ?? [] },
  );
  onTestFinished(() => running.close());
  return {
    ...{ running, desk, clock, sessions, root, keys },
    browser: (to) => browserOf(running.port, to),
    ledger: (look) => {
      const ledger = openLedger(ledgerFile(root), { readOnly: true });
      try {
        return look(ledger);
      } finally {
        ledger.close();
      }
    },
  };
}

/** Enters four people into the register and the ledger of a folder. */
export async function people(root: string, keys: string, clock: HandClock): Promise<void> {
  const ledger = openLedger(ledgerFile(root));
  try {
    const now = clock.now();
    const bare = { keys, ledger, why: 'first', now, cost: LOW_COST };
    const first = { id: 'QE-1', name: PEOPLE['QE-1'].name, secret: SECRETS['QE-1'] };
    await initRegister(bare, 'Europe/Berlin', first);
    const register = readRegister(keys);
    if (register === undefined) throw new Error('there is no register');
    const { id, name, roles, training } = personOf(register, 'QE-1');
    const means = 'authenticated' as const;
    const session = { id, name, roles, training, at: now, means, zone: register.zone };
    for (const one of ['OP-1', 'OP-2', 'AU-1'] as const) {
      const { name: called, role, secret } = PEOPLE[one];
      await addPerson(
        { ...bare, session, why: 'for the test' },
        {
          ...{ id: one, name: called, roles: [role], secret },
        },
      );
    }
  } finally {
    ledger.close();
  }
}

/** A browser without a screen: cookie and token, and any request one likes. */
export function browserOf(port: number, to = '127.0.0.1'): Browser {
  const browser: Browser = {
    cookie: '',
    token: '',
    ask: (path, wish = {}) => asked(port, path, { to, ...wish }, browser.cookie),
    post: (path, body, headers = {}) =>
      browser.ask(path, {
        method: 'POST',
        headers: {
          origin: `http://${to}:${String(port)}`,
          'content-type': 'application/json',
          'x-stallmark-token': browser.token,
          ...headers,
        },
        body,
      }),
    logIn: async (id, place = 'bench') => {
      const answer = await browser.post('/api/log-in', { id, secret: SECRETS[id], place });
      browser.cookie = answer.headers['set-cookie']?.[0]?.split(';')[0] ?? '';
      const told = JSON.parse(answer.text) as { readonly token?: string };
      browser.token = told.token ?? '';
      return answer;
    },
  };
  return browser;
}

function asked(port: number, path: string, wish: Wish, cookie: string): Promise<Answer> {
  const { method = 'GET', headers = {}, body, raw, to = '127.0.0.1' } = wish;
  const all = { host: `${to}:${String(port)}`, ...(cookie === '' ? {} : { cookie }), ...headers };
  return new Promise((resolve, reject) => {
    const sent = request({ host: to, port, path, method, headers: all }, (response) => {
      const pieces: Buffer[] = [];
      response.on('data', (piece: Buffer) => pieces.push(piece));
      response.on('end', () => {
        const text = Buffer.concat(pieces).toString();
        const status = response.statusCode ?? 0;
        resolve({ status, headers: response.headers, text, code: codeIn(text) });
      });
      response.on('error', reject);
    });
    sent.on('error', reject);
    sent.end(raw ?? (body === undefined ? undefined : JSON.stringify(body)));
  });
}

function codeIn(text: string): string {
  if (!text.startsWith('{')) return '';
  const told = JSON.parse(text) as { readonly problems?: readonly { readonly code: string }[] };
  return told.problems?.[0]?.code ?? '';
}
