import { spawn, type ChildProcess } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { connect, type Socket } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { setTimeout as later } from 'node:timers/promises';
import type { LinkedStation } from '../../src/rig/open-rig.js';
import { readDialect } from '../../src/procedure/dialect.js';
import { IN_VOLTS, linkedStation, linkedText } from './linked-station.js';

/** Ways in which the links of a bench can be made up; the emulator is the far side of each. */
export const MAKE_UPS = [
  'wire-child',
  'wire-tcp',
  'scpi-tcp',
  'scpi-serial',
  'cia402-serial',
] as const;
/** wire-relay: an adapter process of its own between runner and emulator, so that it can be killed alone. */
export type MakeUp = (typeof MAKE_UPS)[number] | 'wire-relay';

/** The built program as an emulator, in a process of its own. */
export interface Emulated {
  readonly station: LinkedStation;
  readonly text: string;
  /** Names of the links that carry the drive and the samples. */
  readonly links: readonly string[];
  /** Asks the emulator something over its control socket. @returns Its answer. */
  readonly control: (order: object) => Promise<Record<string, unknown>>;
  /** What the emulator wrote down so far. */
  readonly journal: () => readonly Record<string, unknown>[];
  /** Cuts the link: what carries it is closed or killed. */
  readonly cut: () => Promise<void>;
  /** Takes nastiness away again. */
  readonly mend: () => Promise<void>;
  /** The process; absent where each opening of the links starts one. */
  readonly child?: ChildProcess;
  readonly end: () => Promise<void>;
}

export interface EmulatedWish {
  readonly pace?: 'real' | 'patient';
  readonly item?: string;
  readonly faults?: readonly string[];
  readonly seed?: number;
}

const PROGRAM = join(process.cwd(), 'dist/cli/main.js');

/** Starts an emulator for one make-up of links, or, for a child process, says how one is started. */
export async function emulated(makeUp: MakeUp, wish: EmulatedWish = {}): Promise<Emulated> {
  const folder = mkdtempSync(join(tmpdir(), 'stallmark-emulated-'));
  const file = join(folder, 'bench.yaml');
  const [control, journal] = [join(folder, 'control'), join(folder, 'journal.jsonl')];
  const cables = makeUp.endsWith('serial') ? [await cable(folder)] : [];
  const near = (places: Readonly<Record<string, string>>): string =>
    linkedText(linksText(makeUp, places, folder));
  const options = [
    ...['--item', wish.item ?? 'H12-26-04711', '--pace', wish.pace ?? 'patient'],
    ...['--control', control, '--journal', journal, '--seed', String(wish.seed ?? 1)],
    ...(wish.faults ?? []).flatMap((fault) => ['--fault', fault]),
  ];
  writeFileSync(file, near({}));
  for (const dialect of ['generator.yaml', 'digitizer.yaml']) {
    writeFileSync(join(folder, dialect), readFileSync(`procedures/links/${dialect}`));
  }
  const links = makeUp.startsWith('wire') ? ['stand'] : ['drive', 'scope'];
  const nasty = (how: string | null): Promise<unknown> =>
    asked(control, { nasty: Object.fromEntries(links.map((link) => [link, how])) });
  const common = {
    links,
    cut: async (): Promise<void> => {
      if (cables.length === 0) await nasty('close');
      for (const line of cables) line.kill('SIGKILL');
    },
    mend: async (): Promise<void> => {
      if (existsSync(control)) await nasty(null);
    },
    control: (order: object) => asked(control, order),
    journal: () => linesOf(journal),
  };
  const remove = async (): Promise<void> => {
    await Promise.all(cables.map(endedOf));
    rmSync(folder, { recursive: true, force: true });
  };
  if (makeUp === 'wire-child') {
    const command = [process.execPath, PROGRAM, 'emulate', file, '--stdio', 'stand', ...options];
    const text = linkedText(wireLinks(`command: ${JSON.stringify(command)}`));
    return {
      ...{ ...common, text, station: linkedStation(text), end: remove },
      mend: () => Promise.resolve(), // it ends with the program that started it
    };
  }
  const at = Object.keys(placesOf(makeUp)).flatMap((link) => ['--at', `${link}=127.0.0.1:0`]);
  const far = cables.length > 0 ? ['--at', `drive=${join(folder, 'far')}`] : [];
  const child = spawn(process.execPath, [PROGRAM, 'emulate', file, ...at, ...far, ...options], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });
  const places = await readyOf(child);
  const relay = `socat STDIO TCP:${places['stand'] ?? ''}`;
  const text =
    makeUp === 'wire-relay'
      ? linkedText(wireLinks(`command: ${JSON.stringify(relay.split(' '))}`))
      : near(places);
  return {
    ...common,
    ...(makeUp === 'wire-relay' ? { cut: () => killed(relay) } : {}),
    ...{ text, station: linkedStation(text), child },
    end: async () => {
      await endedOf(child);
      await remove();
    },
  };
}

/** Links on sockets, by name. */
function placesOf(makeUp: MakeUp): Readonly<Record<string, true>> {
  switch (makeUp) {
    case 'wire-child':
      return {};
    case 'wire-relay':
    case 'wire-tcp':
      return { stand: true };
    case 'scpi-tcp':
      return { drive: true, scope: true, guard: true };
    case 'scpi-serial':
    case 'cia402-serial':
      return { scope: true, guard: true };
  }
}

function linksText(
  makeUp: MakeUp,
  places: Readonly<Record<string, string>>,
  folder: string,
): string {
  const tcp = (link: string): string => `tcp: '${places[link] ?? '127.0.0.1:1'}'`;
  if (makeUp.startsWith('wire')) return wireLinks(tcp('stand'));
  const serial = `serial: { path: ${join(folder, 'near')}, baud: 1000000 }`;
  const dialect = (name: string): string => {
    const { digest } = readDialect(readFileSync(`procedures/links/${name}`, 'utf8'), name);
    return `dialect: ${name}, digest: '${digest}'`;
  };
  const generator = `protocol: scpi, ${makeUp === 'scpi-tcp' ? tcp('drive') : serial}, ${dialect('generator.yaml')}`;
  const servo = `protocol: cia402, ${serial}, bit-rate: 1000000, node: 5, host-node: 127, sync: 1 ms, buffer: 60, objects: { smoothing: '2101:00', model: '2102:00', serial: '2103:00', firmware: '2104:00', firmware-digest: '2105:00', revision: '2106:00', parameters-digest: '2107:00', components: '2108:00', counters: '2120:00' }`;
  return `kind: emulated
links:
  drive: { ${makeUp === 'cia402-serial' ? servo : generator} }
  scope: { protocol: scpi, ${tcp('scope')}, ${dialect('digitizer.yaml')} }
  guard:
    protocol: modbus
    ${tcp('guard')}
    unit: 1
    heartbeat: 0
    lines: { guard: [0, 1], emergency-stop: [2, 3], presence: [4, 5], coupling: [6, 7] }
roles: { drive: drive, digitizer: scope, interlock: guard }
${IN_VOLTS}`;
}

const wireLinks = (place: string): string => `kind: emulated
links:
  stand: { protocol: wire, ${place} }
roles: { drive: stand, digitizer: stand, interlock: stand }
timing: { method: command, U: 0.02 ms }
safe-touch: 0.5 N·m
`;

/** A pair of serial devices joined by a cable: `near` and `far` in a folder. */
async function cable(folder: string): Promise<ChildProcess> {
  const end = (name: string): string => `pty,raw,echo=0,link=${join(folder, name)}`;
  const child = spawn('socat', [end('near'), end('far')], { stdio: 'ignore' });
  await once(child, 'spawn');
  for (let tries = 0; tries < 200; tries += 1) {
    if (existsSync(join(folder, 'near')) && existsSync(join(folder, 'far'))) return child;
    await later(10); // socat tells nobody when its devices are there
  }
  throw new Error('socat made no pair of devices');
}

/** Kills a program, if it still runs, and waits until it has ended. */
export async function endedOf(child: ChildProcess): Promise<void> {
  if (child.exitCode !== null || child.signalCode !== null) return;
  const ended = once(child, 'exit');
  child.kill('SIGKILL');
  await ended;
}

/** Kills the adapter that was started with these words. */
async function killed(words: string): Promise<void> {
  const [status] = (await once(spawn('pkill', ['-9', '-f', `^${words}`]), 'close')) as [number];
  if (status !== 0) throw new Error(`nobody runs ${words}`);
}

async function readyOf(child: ChildProcess): Promise<Readonly<Record<string, string>>> {
  if (child.stdout === null) throw new Error('the emulator has no standard output');
  for await (const line of createInterface({ input: child.stdout })) {
    const said = JSON.parse(line) as { ready?: boolean; links?: Record<string, string> };
    if (said.ready === true) return said.links ?? {};
  }
  throw new Error('the emulator ended before it was ready');
}

/** Calls a control socket; an emulator that was started a moment ago may not listen yet. */
async function called(socket: string): Promise<Socket> {
  for (let tries = 0; tries < 200; tries += 1) {
    const line = connect(socket);
    try {
      await once(line, 'connect');
      return line;
    } catch (error) {
      if (!(error instanceof Error && 'code' in error && error.code === 'ENOENT')) throw error;
      await later(10);
    }
  }
  throw new Error(`nobody listens on ${socket}`);
}

async function asked(socket: string, order: object): Promise<Record<string, unknown>> {
  const line = await called(socket);
  try {
    line.write(`${JSON.stringify(order)}\n`);
    for await (const answer of createInterface({ input: line })) {
      const said = JSON.parse(answer) as Record<string, unknown>;
      if (said['ok'] !== true)
        throw new Error(`the emulator refused ${JSON.stringify(order)}: ${answer}`);
      return said;
    }
  } finally {
    line.destroy();
  }
  throw new Error('the emulator did not answer');
}

function linesOf(file: string): readonly Record<string, unknown>[] {
  if (!existsSync(file)) return [];
  return readFileSync(file, 'utf8')
    .split('\n')
    .filter((line) => line !== '')
    .map((line) => JSON.parse(line) as Record<string, unknown>);
}
