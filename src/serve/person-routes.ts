import type { FastifyInstance, FastifyReply, FastifyRequest } from 'fastify';
import { StallmarkError } from '../base/error.js';
import { SOFTWARE } from '../run/software.js';
import { askedIn, logInIn } from './asked.js';
import type { Visitor } from './entrance.js';
import type { Served } from './served.js';
import { isReleased, PAGE_LANGUAGES, type Start } from './start.js';
import { fromOf, visitorOf } from './visit.js';

/** Log-in and what a page is told first; nobody needs to be logged in for it. */
export function startRoutes(app: FastifyInstance, served: Served): void {
  app.get('/api/start', (request) => startOf(served, whoAsks(request, served)));
  app.post('/api/log-in', async (request, reply) => {
    const { wish, place } = logInIn(askedIn(request.body));
    const { entrance } = served;
    const before = whoAsks(request, served);
    const { secret, visitor } = await entrance.logIn(wish, place, fromOf(request, served.judge));
    if (before !== undefined) await entrance.logOut(before);
    setCookie(reply, served, secret);
    return startOf(served, visitor);
  });
}

/** Leaving, for whoever is there. */
export function leaveRoutes(app: FastifyInstance, served: Served): void {
  app.post('/api/log-out', async (request, reply) => {
    await served.entrance.logOut(visitorOf(request));
    reply.clearCookie(served.cookie, COOKIE);
    return {};
  });
}

/** Without an end: it goes with the browser, and the session ends long before. */
const COOKIE = { path: '/', httpOnly: true, sameSite: 'strict' } as const;

function setCookie(reply: FastifyReply, { cookie }: Served, secret: string): void {
  reply.setCookie(cookie, secret, COOKIE);
}

/** Who asks, if anybody is logged in. */
function whoAsks(request: FastifyRequest, served: Served): Visitor | undefined {
  const { entrance, cookie, judge } = served;
  try {
    return entrance.visitor(request.cookies[cookie], fromOf(request, judge), false);
  } catch (error) {
    if (error instanceof StallmarkError && error.problems[0].code === 'page/session') {
      return undefined;
    }
    throw error;
  }
}

async function startOf(served: Served, visitor: Visitor | undefined): Promise<Start> {
  const { version } = SOFTWARE;
  const site = await siteOf(served);
  const start = { version, released: isReleased(version), site };
  if (visitor === undefined) return start;
  const { session, place, token } = visitor;
  const { id, name, roles } = session;
  return { ...start, person: { id, name, roles, place }, token };
}

/** The site; one whose bench cannot be read says so, and can be looked at all the same. */
async function siteOf({ entrance }: Served): Promise<Start['site']> {
  const { hasRegister } = entrance;
  const languages = PAGE_LANGUAGES;
  try {
    return { ...(await entrance.bench()), hasRegister, languages };
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    const { what, fix } = error.problems[0];
    return { bench: '', simulated: false, hasRegister, languages, trouble: `${what} ${fix}` };
  }
}
