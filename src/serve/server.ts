import cookies from '@fastify/cookie';
import { fastify, type FastifyError, type FastifyInstance } from 'fastify';
import { StallmarkError, type Problem } from '../base/error.js';
import type { Clerk } from './clerk.js';
import { benchRoutes } from './bench-routes.js';
import { Entrance } from './entrance.js';
import { Events } from './events.js';
import { HEADERS, hostsOf, isFromHere } from './guard.js';
import { Hold } from './hold.js';
import { statusOf } from './http-status.js';
import { isOnItsWay, type NestDesk } from './nest-desk.js';
import { leaveRoutes, startRoutes } from './person-routes.js';
import type { ReadQuestion } from './reader.js';
import { recordRoutes } from './record-routes.js';
import type { Served } from './served.js';
import type { Sessions } from './sessions.js';
import type { LoggedSite } from './site.js';
import type { PageFiles } from './static.js';
import { broken, type Asker } from './thread.js';
import { admit, cookieName, fromOf, refuseForeign, type Judge } from './visit.js';

/** What a server is put together from. */
export interface ServerParts {
  readonly site: LoggedSite;
  readonly desk: NestDesk;
  readonly reader: Asker<ReadQuestion>;
  readonly clerk: Clerk;
  readonly sessions: Sessions;
  readonly pages: PageFiles;
  /** Says whether a request comes from this computer; only tests give another. */
  readonly judge?: Judge;
}

/** Where a server is to be reached. */
export interface Listening {
  /** Address of the interface, e.g. 127.0.0.1. */
  readonly listen: string;
  /** 0 for any that is free. */
  readonly port: number;
  /** Further names that people open it under. */
  readonly names: readonly string[];
}

/** A server that runs. */
export interface Running {
  /** e.g. http://127.0.0.1:8460 */
  readonly address: string;
  readonly port: number;
  /** Has the bench made safe, tells every browser that it ends, and ends. */
  close(): Promise<void>;
}

/** Bytes that a page may send: far more than a file of limits. */
const MOST_BYTES = 1 << 20;

/** ms in which a request must have arrived whole. */
const REQUEST_TIME = 30_000;

/**
 * Starts to serve the page.
 *
 * @throws page/listen when the address cannot be taken.
 */
export async function serve(parts: ServerParts, where: Listening): Promise<Running> {
  const { site, desk, clerk, reader, sessions } = parts;
  const app = fastify({
    bodyLimit: MOST_BYTES,
    requestTimeout: REQUEST_TIME,
    exposeHeadRoutes: false,
    forceCloseConnections: true,
    routerOptions: { maxParamLength: 100 },
  });
  const hosts = new Set<string>();
  const served = servedWith(parts, () => port(app));
  guard(app, hosts);
  routes(app, served, parts.pages);
  const bound = await listening(app, where);
  for (const host of hostsOf(where.names, where.listen, bound)) hosts.add(host);
  served.events.begin(() => {
    void served.entrance.look().catch((error: unknown) => {
      site.log.error({ error: String(error) }, 'sessions were not looked at');
    });
  });
  return {
    address: `http://${where.listen.includes(':') ? `[${where.listen}]` : where.listen}:${String(bound)}`,
    port: bound,
    close: async () => {
      await desk.close();
      served.events.close();
      await app.close();
      await Promise.all([reader.close(), clerk.close()]);
      sessions.close();
    },
  };
}

function servedWith(parts: ServerParts, bound: () => number): Served {
  const { site, desk, reader, clerk, sessions, judge = isFromHere } = parts;
  const { keys, clock, log } = site;
  const hold = new Hold(desk, clock);
  const events = new Events(desk, hold, clock);
  const left = (number: number): void => {
    hold.leave(number);
    events.views();
  };
  const isBusy = (): boolean => isOnItsWay(desk.view);
  const entrance = new Entrance({ sessions, clerk, keys, clock, log, isBusy, left });
  return {
    ...{ site, desk, reader, clerk, entrance, hold, events, judge },
    get cookie() {
      return cookieName(bound());
    },
  };
}

function port(app: FastifyInstance): number {
  const address = app.server.address();
  return typeof address === 'object' && address !== null ? address.port : 0;
}

/** Holds every request against what may reach this server, and turns every error into problems. */
function guard(app: FastifyInstance, hosts: ReadonlySet<string>): void {
  app.removeContentTypeParser('text/plain');
  app.addHook('onRequest', (request, reply, done) => {
    reply.headers(HEADERS);
    refuseForeign(request, hosts);
    done();
  });
  app.setNotFoundHandler((request) => {
    throw nothingAt(request.url);
  });
}

function nothingAt(url: string): StallmarkError {
  const what = `There is nothing at "${url.slice(0, 100)}".`;
  return new StallmarkError([{ code: 'page/unknown', what, fix: 'Open the address "/".' }]);
}

function routes(app: FastifyInstance, served: Served, pages: PageFiles): void {
  const { site, entrance, desk, judge } = served;
  app.setErrorHandler((error: FastifyError | StallmarkError, request, reply) => {
    const told = problemsOf(error);
    if (told === undefined) {
      const { method, url } = request;
      const stack = error.stack ?? String(error);
      site.log.error({ method, path: url.split('?')[0], stack }, 'a request went wrong');
    }
    const { problems } = told ?? broken();
    return reply.status(statusOf(problems)).send({ problems });
  });
  void app.register(cookies);
  app.decorateRequest('visitor', null);
  app.after(() => {
    startRoutes(app, served);
    pageRoutes(app, pages);
  });
  void app.register((inside, _options, done) => {
    inside.addHook('onRequest', (request, _reply, next) => {
      const from = fromOf(request, judge);
      admit(request, entrance, { cookie: served.cookie, from, isBusy: isOnItsWay(desk.view) });
      next();
    });
    leaveRoutes(inside, served);
    benchRoutes(inside, served);
    recordRoutes(inside, served);
    done();
  });
}

/** Problems of an error; undefined for a defect of ours. */
function problemsOf(error: FastifyError | StallmarkError): StallmarkError | undefined {
  if (error instanceof StallmarkError) return error;
  const { statusCode = 500, message } = error;
  if (statusCode < 400 || statusCode >= 500) return undefined;
  const what = `The request cannot be read: ${message}.`;
  const fix = `Send JSON of at most ${String(MOST_BYTES)} bytes, as the page does.`;
  return new StallmarkError([{ code: 'page/request', what, fix }]);
}

function pageRoutes(app: FastifyInstance, pages: PageFiles): void {
  app.get('/*', (request, reply) => {
    const file = pages.get(request.url.split('?')[0] ?? '');
    if (file === undefined) {
      if (pages.size > 0) throw nothingAt(request.url);
      const what = 'The page was not built.';
      throw new StallmarkError([{ code: 'page/unknown', what, fix: 'Run npm run build.' }]);
    }
    if (file.isHashed) reply.header('cache-control', 'public, max-age=31536000, immutable');
    return reply.type(file.type).send(file.bytes);
  });
}

async function listening(app: FastifyInstance, { listen, port }: Listening): Promise<number> {
  try {
    await app.listen({ host: listen, port });
  } catch (cause) {
    await app.close();
    if (!(cause instanceof Error) || !('code' in cause)) throw cause;
    const what = `${listen}:${String(port)} cannot be taken: ${cause.message}.`;
    const fix = 'End the program that has it, or give another --port or --listen.';
    const problem: Problem = { code: 'page/listen', what, fix };
    throw new StallmarkError([problem], { cause });
  }
  const address = app.server.address();
  return typeof address === 'object' && address !== null ? address.port : port;
}
