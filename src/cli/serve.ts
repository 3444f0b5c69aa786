import { join } from 'node:path';
import { EXIT } from '../base/codes.js';
import { systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { openLog } from '../run/log.js';
import { defaultKeys } from '../run/places.js';
import { openClerk } from '../serve/clerk.js';
import { isLoopback } from '../serve/guard.js';
import { NestLink } from '../serve/nest-link.js';
import { openReader } from '../serve/reader.js';
import { serve, type Running } from '../serve/server.js';
import { Sessions, sessionsFile } from '../serve/sessions.js';
import type { LoggedSite } from '../serve/site.js';
import { pageFiles } from '../serve/static.js';
import type { Terminal } from './terminal.js';

/** Options of `serve`, as the argument parser hands them over. */
export interface ServeOptions {
  readonly port: string;
  readonly listen: string;
  readonly hostName: readonly string[];
  readonly data: string;
  readonly keys?: string;
  readonly bench?: string;
  readonly procedure?: string;
  readonly limits?: string;
  readonly pace: 'fast' | 'real';
}

/**
 * Serves the page of the bench until it is interrupted; the bench is made safe then.
 *
 * @returns 0, once everything has ended.
 * @throws usage/argument, page/listen, storage/*.
 */
export async function servePage(options: ServeOptions, to: Terminal): Promise<number> {
  const { listen, hostName: names } = options;
  const port = portIn(options.port);
  const sessions = new Sessions(sessionsFile(options.data)); // makes the folder too
  const site = siteOf(options);
  const reader = openReader(site);
  const clerk = openClerk(site);
  const desk = new NestLink(site);
  const parts = { site, desk, reader, clerk, sessions, pages: pageFiles() };
  const running = await serve(parts, { listen, port, names }).catch(async (error: unknown) => {
    await Promise.all([desk.close(), reader.close(), clerk.close()]);
    sessions.close();
    throw error;
  });
  site.log.info({ address: running.address }, 'serving');
  to.out(`Stallmark serves ${running.address}`);
  for (const name of names) to.out(`      and as http://${name}:${String(running.port)}`);
  if (!isLoopback(listen)) to.err(OVERHEARD);
  await interrupted(to);
  await ended(running, site);
  return EXIT.conforming;
}

const OVERHEARD =
  'Note: this is plain HTTP. Who can listen to the network can read what is typed into a page on another machine.';

function siteOf(options: ServeOptions): LoggedSite {
  const { data, keys, bench, procedure, limits, pace } = options;
  return {
    root: data,
    keys: keys ?? defaultKeys(),
    ...(bench === undefined ? {} : { bench }),
    ...(procedure === undefined ? {} : { procedure }),
    ...(limits === undefined ? {} : { limits }),
    pace,
    clock: systemClock,
    log: openLog(join(data, 'serve.jsonl')),
  };
}

const GREATEST_PORT = 65_535;

function portIn(text: string): number {
  const port = Number(text);
  if (/^\d+$/u.test(text) && port <= GREATEST_PORT) return port;
  const what = `--port is "${text}".`;
  const fix = `Give a whole number from 0 to ${String(GREATEST_PORT)}; 0 takes any that is free.`;
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}

/** Waits for Ctrl-C, or for the end of the terminal or of the computer. */
async function interrupted(to: Terminal): Promise<void> {
  await new Promise<void>((resolve) => {
    for (const signal of ['SIGINT', 'SIGTERM', 'SIGHUP'] as const) {
      process.on(signal, () => {
        resolve(); // a second one changes nothing: the bench is being made safe
      });
    }
  });
  to.err('Ending: torque to zero, then power off.');
}

async function ended(running: Running, { log }: LoggedSite): Promise<void> {
  await running.close();
  log.info('ended');
}
