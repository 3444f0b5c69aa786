import type { FastifyRequest } from 'fastify';
import { throwIfAny, type Problem } from '../base/error.js';
import { tokenProblem, type Entrance, type From, type Visitor } from './entrance.js';
import { hostProblem, isFromHere, originProblem, readerProblem } from './guard.js';

declare module 'fastify' {
  interface FastifyRequest {
    /** Set for every request to `/api` that needs a session. */
    visitor: Visitor | null;
  }
}

/** Says whether a request comes from this very computer; tests put another in its place. */
export type Judge = typeof isFromHere;

/** Where a request comes from. */
export function fromOf({ raw }: FastifyRequest, judge: Judge): From {
  const { remoteAddress } = raw.socket;
  return { address: remoteAddress ?? '', isHere: judge(remoteAddress, raw.headers) };
}

/**
 * Holds every request against its address and where it came from, before anything of it is read.
 *
 * @throws page/host, page/origin.
 */
export function refuseForeign(
  { method, url, raw: { headers } }: FastifyRequest,
  hosts: ReadonlySet<string>,
): void {
  throwProblem(hostProblem(headers.host, hosts));
  if (method !== 'GET') throwProblem(originProblem(headers, hosts));
  else if (url.startsWith('/api/')) throwProblem(readerProblem(headers));
}

/** Name of the cookie; each port has its own, because browsers do not tell ports apart. */
export const cookieName = (port: number): string => `stallmark-${String(port)}`;

/**
 * Finds out who sends a request, and that a request to change something carries the token.
 *
 * What a page sends by itself is no sign of life of the person, except while an item is on its way.
 *
 * @throws page/session, page/token.
 */
export function admit(
  request: FastifyRequest,
  entrance: Entrance,
  {
    cookie,
    from,
    isBusy,
  }: { readonly cookie: string; readonly from: From; readonly isBusy: boolean },
): void {
  const { method, url, cookies, headers } = request;
  const path = url.split('?')[0];
  const isByItself = path === '/api/nest/alive' || (path === '/api/nest' && method === 'GET');
  const visitor = entrance.visitor(cookies[cookie], from, isBusy || !isByItself);
  if (method !== 'GET') throwProblem(tokenProblem(headers['x-stallmark-token'], visitor));
  request.visitor = visitor;
}

/** The person of an admitted request. */
export function visitorOf({ visitor }: FastifyRequest): Visitor {
  if (visitor === null) throw new Error('a request was served that nobody admitted');
  return visitor;
}

/** Throws one problem, or returns when there is none. */
export function throwProblem(problem: Problem | undefined): void {
  throwIfAny(problem === undefined ? [] : [problem]);
}
