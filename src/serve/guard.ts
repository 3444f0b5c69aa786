import type { IncomingHttpHeaders } from 'node:http';
import type { Problem } from '../base/error.js';

/** Names under which this computer reaches itself. */
const OWN_NAMES = ['localhost', '127.0.0.1', '[::1]'];

/** Addresses that stand for every interface and so are no name of any. */
const ANY_ADDRESS: ReadonlySet<string> = new Set(['0.0.0.0', '::', '']);

/**
 * Host headers that a request may carry: own names, names given, the address listened at, each with the
 * port. A page of another site whose name was made to lead here carries another one.
 *
 * @param listen - Address that is listened at.
 */
export function hostsOf(
  names: readonly string[],
  listen: string,
  port: number,
): ReadonlySet<string> {
  const address = ANY_ADDRESS.has(listen) ? [] : [listen.includes(':') ? `[${listen}]` : listen];
  const all = [...OWN_NAMES, ...address, ...names].map((name) => name.toLowerCase());
  const withPort = all.map((name) => `${name}:${String(port)}`);
  return new Set(port === 80 ? [...withPort, ...all] : withPort);
}

/** Says that a request came under a name that is not ours. */
export function hostProblem(
  host: string | undefined,
  hosts: ReadonlySet<string>,
): Problem | undefined {
  if (host !== undefined && hosts.has(host.toLowerCase())) return undefined;
  const what = `The request came for "${host ?? ''}", but this server is ${[...hosts].join(', ')}.`;
  const fix = 'Open one of these addresses, or start the server with --host-name for that name.';
  return { code: 'page/host', what, fix };
}

/**
 * Says that a request to change something came from a page that is not ours. A browser names the page
 * in every such request; one that names none did not come from a page.
 *
 * Source: Fetch Standard, "Origin" header; W3C Fetch Metadata Request Headers (both from memory).
 */
export function originProblem(
  headers: IncomingHttpHeaders,
  hosts: ReadonlySet<string>,
): Problem | undefined {
  const { origin } = headers;
  const site = headers['sec-fetch-site'];
  const isOurs =
    typeof origin === 'string' &&
    origin.startsWith('http://') &&
    hosts.has(origin.slice('http://'.length).toLowerCase());
  if (isOurs && (site === undefined || site === 'same-origin')) return undefined;
  return foreign(origin ?? 'nowhere');
}

/** Says that a page of another site asks for data. Browsers that say nothing of it are let through. */
export function readerProblem(headers: IncomingHttpHeaders): Problem | undefined {
  const site = headers['sec-fetch-site'];
  if (site === undefined || site === 'same-origin' || site === 'none') return undefined;
  return foreign(`a page that is "${site}"`);
}

function foreign(from: string): Problem {
  const what = `The request came from ${from}, but only pages of this server may send it.`;
  return { code: 'page/origin', what, fix: 'Open the page at the address of this server.' };
}

/** Headers that a program adds which hands on requests of others. */
const HANDED_ON = ['forwarded', 'x-forwarded-for', 'x-real-ip', 'via'] as const;

/** Whether a request came from this very computer and was not handed on by a program on it. */
export function isFromHere(address: string | undefined, headers: IncomingHttpHeaders): boolean {
  return isLoopback(address) && HANDED_ON.every((name) => headers[name] === undefined);
}

/** Whether an address can only be this computer's own. Source: RFC 1122, 3.2.1.3; RFC 4291, 2.5.3. */
export function isLoopback(address: string | undefined): boolean {
  if (address === undefined) return false;
  const plain = address.toLowerCase().replace(/^::ffff:/u, '');
  return plain === '::1' || /^127\.\d{1,3}\.\d{1,3}\.\d{1,3}$/u.test(plain);
}

/** What a page may load, and from where: only what this server hands out. No inline script or style. */
export const PAGE_POLICY = [
  "default-src 'none'",
  "script-src 'self'",
  "style-src 'self'",
  "img-src 'self' blob:",
  "font-src 'self'",
  "connect-src 'self'",
  "frame-src 'self'",
  "form-action 'none'",
  "base-uri 'none'",
  "frame-ancestors 'none'",
].join('; ');

/** For a file that a page shows in a frame of its own. */
export const FILE_POLICY = "form-action 'none'; base-uri 'none'; frame-ancestors 'self'";

/** Headers of every answer; single answers say otherwise of their policy and of keeping. */
export const HEADERS: Readonly<Record<string, string>> = {
  'content-security-policy': PAGE_POLICY,
  'x-content-type-options': 'nosniff',
  'x-frame-options': 'DENY',
  'referrer-policy': 'no-referrer',
  'cross-origin-opener-policy': 'same-origin',
  'cross-origin-resource-policy': 'same-origin',
  'permissions-policy': 'camera=(), microphone=(), geolocation=(), usb=(), serial=()',
  'cache-control': 'no-store',
};

/** A browser on another machine asked for what only the bench may. */
export function remoteProblem(act: string): Problem {
  const what = `A browser on another machine may look, but not ${act}.`;
  return { code: 'page/remote', what, fix: 'Do it on the computer of the bench.' };
}
