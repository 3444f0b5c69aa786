import { getHeapStatistics } from 'node:v8';
import { seeded } from '../../src/pattern/random.js';
import { hostileDescriptor, hostileReport } from './hostile-hid.js';
import {
  cia402Runner,
  modbusRunner,
  scpiDigitizerRunner,
  scpiDriveRunner,
  soundFrames,
  wireRunner,
  type Told,
  type Trial,
} from './hostile-runner.js';
import { hostileServed, servedSides } from './hostile-server.js';

/** ms of one conversation at most. */
export const MOST_MS = 5000;
/** Findings that are told of one link, each of its kind. */
const MOST_TOLD = 20;
const THOUSAND = 1000;

/** The sides that are driven. */
export const HOSTILE_LINKS = [
  'runner: wire',
  'runner: SCPI drive',
  'runner: SCPI digitizer',
  'runner: SLCAN and CANopen',
  'runner: Modbus',
  'runner: HID descriptors',
  'runner: HID reports',
  'emulator: wire',
  'emulator: SCPI drive',
  'emulator: SCPI digitizer',
  'emulator: SLCAN',
] as const;
export type HostileLink = (typeof HOSTILE_LINKS)[number];

/** What became of a link. */
export interface Tally {
  readonly link: HostileLink;
  /** Replies or frames that were mutated, and the conversations they were in. */
  readonly cases: number;
  readonly conversations: number;
  /** Conversations that went on to their end as if nothing was. */
  readonly accepted: number;
  /** Conversations by each code they were refused with. */
  readonly codes: Readonly<Record<string, number>>;
  /** ms */
  readonly longest: number;
  readonly seconds: number;
  /** MiB in use after the first and the last thousand, and the most after any. */
  readonly heap: readonly [first: number, last: number, most: number];
  readonly findings: Readonly<Record<string, number>>;
  readonly notes: Readonly<Record<string, number>>;
}

type Converse = (random: () => number) => Told | Promise<Told>;

async function conversationOf(link: HostileLink): Promise<Converse> {
  const runner = async (run: (trial: Trial) => Promise<Told>): Promise<Converse> => {
    const frames = await soundFrames(run);
    return (random) => run({ random, frames });
  };
  switch (link) {
    case 'runner: wire':
      return runner(wireRunner);
    case 'runner: SCPI drive':
      return runner(scpiDriveRunner);
    case 'runner: SCPI digitizer':
      return runner(scpiDigitizerRunner);
    case 'runner: SLCAN and CANopen':
      return runner(cia402Runner);
    case 'runner: Modbus':
      return runner(modbusRunner);
    case 'runner: HID descriptors':
      return hostileDescriptor;
    case 'runner: HID reports':
      return hostileReport;
    case 'emulator: wire':
    case 'emulator: SCPI drive':
    case 'emulator: SCPI digitizer':
    case 'emulator: SLCAN':
      return served(link);
  }
}

/** Half of the conversations ask for power, half end before it. */
async function served(link: HostileLink): Promise<Converse> {
  const side = (await servedSides()).find(({ name }) => link === `emulator: ${name}`);
  if (side === undefined) throw new Error(`no side "${link}"`);
  const sound = await hostileServed(side, { hasPower: true });
  const powers = side.name === 'SCPI digitizer' ? 0 : 1;
  if (sound.energized.length !== powers || sound.findings.length > 0) {
    throw new Error(`${link}: a conversation that nobody mutated went wrong`);
  }
  return (random) => hostileServed(side, { random, hasPower: random() < 0.5, sound });
}

/** MiB that are in use, after what nobody needs is let go where that can be asked for. */
function heapInUse(): number {
  const { gc } = globalThis as { readonly gc?: () => void };
  gc?.();
  return (
    getHeapStatistics().used_heap_size / 2 ** 20 + process.memoryUsage().arrayBuffers / 2 ** 20
  );
}

/**
 * Has conversations of one link mutated until so many replies or frames were.
 *
 * @param told - Told the cases so far, after each thousand.
 */
export async function hostileCampaign(
  link: HostileLink,
  count: number,
  told: (cases: number) => void = () => undefined,
): Promise<Tally> {
  const converse = await conversationOf(link);
  const random = seeded(HOSTILE_LINKS.indexOf(link) + 1);
  const codes: Record<string, number> = {};
  const findings: Record<string, number> = {};
  const notes: Record<string, number> = {};
  const add = (to: Record<string, number>, key: string): void => {
    if (key in to || Object.keys(to).length < MOST_TOLD) to[key] = (to[key] ?? 0) + 1;
    else to['others'] = (to['others'] ?? 0) + 1;
  };
  const crash = (error: unknown): void => {
    add(
      findings,
      `crash: ${error instanceof Error ? (error.stack ?? error.message).slice(0, 300) : String(error)}`,
    );
  };
  process.on('unhandledRejection', crash);
  process.on('uncaughtException', crash);
  const heaps: number[] = [];
  const begun = performance.now();
  let [cases, conversations, accepted, longest, next] = [0, 0, 0, 0, THOUSAND];
  // A conversation of which nothing was mutated counts as none; one in two has at least one.
  for (let turn = 0; cases < count && turn < 20 * count; turn++) {
    const from = performance.now();
    const one = await converse(random);
    const ms = performance.now() - from;
    if (one.findings.length > 0)
      for (const finding of one.findings) add(findings, finding.replaceAll(/\d+/gu, '#'));
    if (one.mutated === 0) continue;
    conversations += 1;
    cases += one.mutated;
    longest = Math.max(longest, ms);
    if (ms > MOST_MS) add(findings, 'a conversation took longer than its time limit');
    if (one.codes.size === 0) accepted += 1;
    for (const code of one.codes) add(codes, code);
    for (const note of one.notes) add(notes, note);
    if (cases < next) continue;
    next = cases + THOUSAND;
    heaps.push(heapInUse());
    told(cases);
  }
  const seconds = (performance.now() - begun) / 1000;
  await new Promise((resolve) => setImmediate(resolve)); // what was thrown last is heard
  process.off('unhandledRejection', crash);
  process.off('uncaughtException', crash);
  const [first = NaN] = heaps;
  const heap = [first, heaps.at(-1) ?? NaN, Math.max(...heaps)] as const;
  return { link, cases, conversations, accepted, codes, longest, seconds, heap, findings, notes };
}
