import { lstat, unlink } from 'node:fs/promises';
import { connect, createServer, type Server, type Socket } from 'node:net';
import { StallmarkError } from '../base/error.js';
import type { Interlocks } from '../bench/bench.js';
import { problem } from '../bench/refusal.js';
import { type Nastiness, readNastiness } from './nastiness.js';
import { type Members, membersIn, numberIn, readMembers, shown, wordIn } from './wire-request.js';

/** Hands on an emulated stand, for tests and demonstrations. */
export interface Controlled {
  lines(lines: Partial<Interlocks>): void;
  /** Puts another item into the nest. @throws StallmarkError when power is on. */
  item(serial: string): void;
  /** @throws usage/argument when there is no such link. */
  nasty(link: string, nastiness: Nastiness): void;
  /** N·m that the item adds to every set point. */
  uncommanded(torque: number): void;
  report(): {
    readonly energized: boolean;
    /** N·m */
    readonly shaftTorque: number;
    readonly fault: number;
  };
}

/** Bytes of one order at most. */
const MOST_LINE = 4096;
const MOST_PEERS = 8;
/** Bytes that a peer may leave untaken before it is hung up on. */
const MOST_UNTAKEN = 65_536;

/**
 * Takes orders on a Unix domain socket: JSON objects, one a line. Each is answered by a line.
 *
 * @param path - Where; a socket that a program which is gone left there is taken over.
 * @throws link/unreachable when another program listens there, or it cannot be made.
 */
export async function serveControl(
  path: string,
  controlled: Controlled,
): Promise<{ close(): Promise<void> }> {
  const peers = new Set<Socket>();
  const server = createServer((socket) => {
    peers.add(socket);
    socket.on('close', () => peers.delete(socket));
    socket.on('error', () => undefined); // it closes as well
    takeOrders(socket, controlled);
  });
  server.maxConnections = MOST_PEERS;
  await bound(server, path).catch(async (error: unknown) => {
    if (!(await isDeserted(path))) throw error;
    await unlink(path);
    await bound(server, path);
  });
  return {
    close: () =>
      new Promise((resolve) => {
        server.close(() => {
          resolve();
        });
        for (const peer of peers) peer.destroy();
      }),
  };
}

function bound(server: Server, path: string): Promise<void> {
  return new Promise((resolve, reject) => {
    const fail = ({ message }: Error): void => {
      const what = `Orders cannot be taken at ${path}: ${message}.`;
      reject(problem('link/unreachable', what, 'End what listens there, or name another file.'));
    };
    server.once('error', fail);
    server.listen(path, () => {
      server.off('error', fail);
      resolve();
    });
  });
}

/** Whether a socket is there at which nobody listens; a file of another kind is nobody's to remove. */
async function isDeserted(path: string): Promise<boolean> {
  const found = await lstat(path).catch(() => undefined); // the first refusal is told
  if (found?.isSocket() !== true) return false;
  return new Promise((resolve) => {
    const socket = connect(path);
    socket.on('connect', () => {
      socket.destroy();
      resolve(false);
    });
    socket.on('error', (error: NodeJS.ErrnoException) => {
      resolve(error.code === 'ECONNREFUSED');
    });
  });
}

function takeOrders(socket: Socket, controlled: Controlled): void {
  const line = Buffer.alloc(MOST_LINE);
  let filled = 0;
  const answer = (reply: Readonly<Record<string, unknown>>): void => {
    socket.write(`${JSON.stringify(reply)}\n`);
    if (socket.writableLength > MOST_UNTAKEN) socket.destroy();
  };
  socket.on('data', (chunk) => {
    for (const byte of chunk) {
      if (socket.destroyed) return;
      if (byte === 0x0a) {
        answer(obey(line.subarray(0, filled), controlled));
        filled = 0;
      } else if (filled === MOST_LINE) {
        socket.destroy();
      } else {
        line[filled] = byte;
        filled += 1;
      }
    }
  });
}

/** Does one order. @returns The answer to it. */
export function obey(line: Uint8Array, controlled: Controlled): Readonly<Record<string, unknown>> {
  try {
    const order = readMembers(line);
    if (order === undefined) throw refused('The line is no JSON object.');
    return { ok: true, ...done(order, controlled) };
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    return { ok: false, what: error.problems.map(({ what }) => what).join(' ') };
  }
}

function done(order: Members, to: Controlled): Members {
  const [name = '', ...more] = Object.keys(order);
  if (more.length > 0)
    throw refused(`The line holds ${more.length + 1} orders, but must hold one.`);
  switch (name) {
    case 'lines':
      to.lines(linesIn(membersIn(order, 'lines') ?? {}));
      return {};
    case 'item': {
      const serial = order['item'];
      if (typeof serial !== 'string') throw refused(`The item is ${shown(serial)}, no serial.`);
      to.item(serial);
      return {};
    }
    case 'nasty': {
      const links = Object.entries(membersIn(order, 'nasty') ?? {});
      const plans = links.map(([link, spec]) => ({ link, plan: planOf(spec) }));
      for (const { link, plan } of plans) to.nasty(link, plan);
      return {};
    }
    case 'uncommanded':
      to.uncommanded(numberIn(order, 'uncommanded', { from: -100, to: 100 }));
      return {};
    case 'report':
      return to.report();
    default:
      throw refused(`There is no order ${shown(name)}.`);
  }
}

function planOf(spec: unknown): Nastiness {
  if (spec === null) return {};
  if (typeof spec === 'string') return readNastiness(spec);
  throw refused(`The way to misbehave is ${shown(spec)}, neither text nor null.`);
}

const WORDS = {
  guard: ['closed', 'open', 'contradictory'],
  emergencyStop: ['released', 'pressed', 'contradictory'],
  presence: ['held', 'released', 'contradictory'],
  coupling: ['seated', 'loose', 'contradictory'],
} as const;

function linesIn(given: Members): Partial<Interlocks> {
  const known = [...Object.keys(WORDS), 'age'];
  const other = Object.keys(given).find((name) => !known.includes(name));
  if (other !== undefined) throw refused(`There is no line "${other}".`);
  const word = <T extends string>(name: string, words: readonly T[]): { [name: string]: T } =>
    name in given ? { [name]: wordIn(given, name, words) } : {};
  return {
    ...word('guard', WORDS.guard),
    ...word('emergencyStop', WORDS.emergencyStop),
    ...word('presence', WORDS.presence),
    ...word('coupling', WORDS.coupling),
    ...('age' in given ? { age: numberIn(given, 'age', { from: 0, to: 3600 }) } : {}),
  };
}

function refused(what: string): StallmarkError {
  return problem(
    'usage/argument',
    what,
    'Order one of lines, item, nasty, uncommanded and report.',
  );
}
