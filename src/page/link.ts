import type { Problem } from '../base/error.js';
import type { HoldView } from '../serve/hold.js';
import { PAGE_PULSE, type Frame, type NestCommand, type NestView } from '../serve/nest-view.js';
import type { SessionPlace, Start } from '../serve/start.js';
import { tabName } from './tab.js';

export type { Start, SessionPlace };

/** What the server refused, with every reason. */
export class Refused extends Error {
  override readonly name = 'Refused';
  constructor(
    readonly problems: readonly Problem[],
    readonly status: number,
  ) {
    super(problems.map(({ code, what }) => `${code}: ${what}`).join('\n'));
  }
}

/** The problems in an error; one that says that the page was left without an answer. */
export function problemsIn(error: unknown): readonly Problem[] {
  if (error instanceof Refused) return error.problems;
  const what = `There was no answer: ${error instanceof Error ? error.message : String(error)}.`;
  return [{ code: 'bench/unreachable', what, fix: 'See whether stallmark serve still runs.' }];
}

/** Arguments longer than this go in the body of the request: servers take no longer addresses. */
const LONGEST_ADDRESS = 4000;

/** ms for which nothing is heard after which the connection counts as lost; a beat comes each second. */
const SILENCE = 2500;

let token = '';
let isHolding = false;
const leftWatches = new Set<() => void>();
const reachWatches = new Set<(isReached: boolean) => void>();

/** Asks who is there and what this bench is. @throws Refused. */
export async function start(): Promise<Start> {
  return started(await asked<Start>('GET', '/api/start'));
}

/** Who logs in: by secret, or by a name where nobody has one. */
export type LogIn =
  | { readonly id: string; readonly secret: string; readonly place: SessionPlace }
  | { readonly name: string; readonly place: SessionPlace };

/** @throws Refused. */
export async function logIn(who: LogIn): Promise<Start> {
  return started(await asked<Start>('POST', '/api/log-in', who));
}

/** @throws Refused. */
export async function logOut(): Promise<void> {
  await asked('POST', '/api/log-out', {});
  left();
}

/** Watches for the end of the session: it was left alone, ended by somebody, or logged out. */
export function onLeft(watch: () => void): () => void {
  leftWatches.add(watch);
  return () => leftWatches.delete(watch);
}

/** Watches whether the server answers at all, told with each request. */
export function onReach(watch: (isReached: boolean) => void): () => void {
  reachWatches.add(watch);
  return () => reachWatches.delete(watch);
}

/** Reads something by its name in the table of readings. @throws Refused. */
export async function read<T>(
  name: string,
  args: Readonly<Record<string, string>> = {},
): Promise<T> {
  const query = new URLSearchParams(args).toString();
  const address = `/api/read/${encodeURIComponent(name)}`;
  return query.length > LONGEST_ADDRESS
    ? asked<T>('POST', address, args)
    : asked<T>('GET', query === '' ? address : `${address}?${query}`);
}

/** Changes something by its name in the table of changes. @throws Refused. */
export async function change<T>(name: string, body: unknown): Promise<T> {
  return asked<T>('POST', `/api/change/${encodeURIComponent(name)}`, body);
}

/** Where a file of a record is handed out. */
export function fileAddress(number: string, file: string): string {
  return `/api/file/${encodeURIComponent(number)}/${encodeURIComponent(file)}`;
}

/** Asks something of the nest, which this tab must hold. @throws Refused. */
export async function command(wanted: NestCommand): Promise<void> {
  await asked('POST', '/api/nest', { tab: tabName(), command: wanted });
}

/** Takes the nest for this tab. @throws Refused. */
export async function hold(): Promise<void> {
  await asked('POST', '/api/nest/hold', { tab: tabName() });
  isHolding = true;
}

/** Gives the nest back. @throws Refused. */
export async function release(): Promise<void> {
  await asked('POST', '/api/nest/release', { tab: tabName() });
  isHolding = false;
}

/** What a page is told of the nest. */
export interface Listener {
  readonly nest: (view: NestView, hold: HoldView) => void;
  readonly frame: (frame: Frame) => void;
  /** Nothing is heard of the server any more. */
  readonly lost: () => void;
  /** It is heard of again. */
  readonly back: () => void;
}

/** Follows the nest, and gives signs of life while this tab holds it. @returns The end of it. */
export function listen(on: Listener): () => void {
  const source = new EventSource(`/api/nest?tab=${encodeURIComponent(tabName())}`);
  const hearing = hearingOf(on);
  source.addEventListener('nest', ({ data }: MessageEvent<string>) => {
    hearing.heard();
    const told = JSON.parse(data) as NestView & HoldView; // sent by our own server
    const held = isHolding;
    isHolding = told.hold === 'yours';
    // At once: a page that was loaded anew has been silent for a while.
    if (isHolding && !held) void alive();
    on.nest(told, told);
  });
  source.addEventListener('frame', ({ data }: MessageEvent<string>) => {
    on.frame(JSON.parse(data) as Frame);
  });
  source.addEventListener('beat', hearing.heard);
  source.addEventListener('error', () => {
    hearing.lost();
    // The server answered with an error, and a browser then asks no more: is anybody logged in?
    if (source.readyState === EventSource.CLOSED) void again();
  });
  const again = async (): Promise<void> => {
    const told = await start().catch(() => undefined);
    if (told?.person === undefined) left();
  };
  const pulse = window.setInterval(() => {
    if (isHolding) void alive();
  }, PAGE_PULSE);
  return () => {
    clearInterval(pulse);
    hearing.end();
    source.close();
  };
}

/** Tells when nothing was heard for too long, and when something is heard again. */
function hearingOf(on: Listener): {
  readonly heard: () => void;
  readonly lost: () => void;
  readonly end: () => void;
} {
  let isLost = false;
  let timer = 0;
  const lost = (): void => {
    if (!isLost) on.lost();
    isLost = true;
  };
  const heard = (): void => {
    if (isLost) on.back();
    isLost = false;
    clearTimeout(timer);
    timer = window.setTimeout(lost, SILENCE);
  };
  return {
    heard,
    lost,
    end: () => {
      clearTimeout(timer);
    },
  };
}

let isAsking = false;

/** One sign of life; the next waits until this one has arrived, so that they never pile up. */
async function alive(): Promise<void> {
  if (isAsking) return;
  isAsking = true;
  try {
    await asked('POST', '/api/nest/alive', { tab: tabName() }, AbortSignal.timeout(1000));
  } catch (error) {
    // A refusal ends the hold; a server that is not reached is told of by the missing beat.
    if (error instanceof Refused) isHolding = false;
  } finally {
    isAsking = false;
  }
}

function started(told: Start): Start {
  token = told.token ?? '';
  return told;
}

function left(): void {
  token = '';
  isHolding = false;
  for (const watch of leftWatches) watch();
}

async function asked<T>(
  method: 'GET' | 'POST',
  address: string,
  body?: unknown,
  signal?: AbortSignal,
): Promise<T> {
  const headers = { 'content-type': 'application/json', 'x-stallmark-token': token };
  const answer = await fetch(address, {
    ...{ method, credentials: 'same-origin', cache: 'no-store' },
    ...(method === 'POST' ? { headers, body: JSON.stringify(body) } : {}),
    ...(signal === undefined ? {} : { signal }),
  }).catch((error: unknown) => {
    for (const watch of reachWatches) watch(false);
    throw error;
  });
  for (const watch of reachWatches) watch(true);
  const told: unknown = await answer.json();
  if (answer.ok) return told as T; // as the route of our own server answers
  const problems = (told as { readonly problems?: readonly Problem[] }).problems ?? [];
  if (problems.some(({ code }) => code === 'page/session')) left();
  throw new Refused(problems, answer.status);
}
