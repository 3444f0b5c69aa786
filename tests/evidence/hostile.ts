/**
 * What hostile bytes do to every link: valid conversations, recorded from the true encoders, are mutated
 * and fed in random pieces, to the runner and to the emulator. `tsx tests/evidence/hostile.ts [COUNT]`.
 */
import { fork } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import {
  HOSTILE_LINKS,
  hostileCampaign,
  MOST_MS,
  type HostileLink,
  type Tally,
} from '../support/hostile-campaign.js';
import { shippedDocuments } from '../support/simulated-run.js';
import { headOf, publish, shown, table } from './report.js';

const SELF = fileURLToPath(import.meta.url);
/** s without a thousand cases more after which a link hangs, and for all of one link. */
const MOST_QUIET = 60;
const MOST_SECONDS = 1800;
/** Links at a time. */
const AT_A_TIME = 2;
/** Devices and things of one language share its count. */
const HALVES = /SCPI|HID/u;

type Message = { readonly cases: number } | { readonly tally: Tally };

/** What is known of a link: its tally, or why there is none. */
interface Told {
  readonly link: HostileLink;
  readonly tally?: Tally;
  readonly broken?: string;
}

function driven(link: HostileLink, count: number): Promise<Told> {
  const child = fork(SELF, [String(count), link], {
    execArgv: ['--expose-gc', '--import', 'tsx'],
    stdio: ['ignore', 'inherit', 'inherit', 'ipc'],
  });
  return new Promise((resolve) => {
    let cases = 0;
    const end = (broken: string): void => {
      child.kill('SIGKILL');
      resolve({ link, broken });
    };
    const quiet = setTimeout(() => {
      end(`hangs after ${cases} cases: none for ${MOST_QUIET} s`);
    }, 1000 * MOST_QUIET);
    const all = setTimeout(() => {
      end(`not done after ${MOST_SECONDS} s, at ${cases} cases`);
    }, 1000 * MOST_SECONDS);
    child.on('message', (message: Message) => {
      quiet.refresh();
      if ('cases' in message) cases = message.cases;
      else resolve({ link, tally: message.tally });
    });
    child.on('exit', (status, signal) => {
      clearTimeout(quiet);
      clearTimeout(all);
      resolve({ link, broken: `ended with ${status ?? signal ?? 'nothing'} after ${cases} cases` });
    });
  });
}

async function whole(count: number): Promise<void> {
  const begun = performance.now();
  const left = [...HOSTILE_LINKS];
  const told = new Map<HostileLink, Told>();
  const work = async (): Promise<void> => {
    for (let link = left.shift(); link !== undefined; link = left.shift()) {
      told.set(link, await driven(link, HALVES.test(link) ? Math.ceil(count / 2) : count));
    }
  };
  await Promise.all(Array.from({ length: AT_A_TIME }, work));
  const inOrder = HOSTILE_LINKS.map((link): Told => told.get(link) ?? { link, broken: 'not run' });
  publish('hostile', reportOf(inOrder, count, (performance.now() - begun) / 1000));
  const isBad = inOrder.some(({ tally }) => Object.keys(tally?.findings ?? { none: 1 }).length > 0);
  process.exitCode = isBad ? 1 : 0;
}

function reportOf(all: readonly Told[], count: number, seconds: number): string {
  const head = headOf(
    {
      title: 'Hostile bytes',
      command: `npx tsx tests/evidence/hostile.ts ${count}`,
      runs: [
        `${count} mutated replies or frames for each language and side, devices of SCPI and parts of HID half of them each; seed 1 and on`,
        `${shown(seconds)} s in all, ${AT_A_TIME} links at a time`,
      ],
    },
    shippedDocuments(),
  );
  return (
    [
      head,
      METHOD,
      tallies(all),
      codes(all),
      section('Findings', all, 'findings'),
      section('Power that came on, and why', all, 'notes'),
    ].join('\n\n') + '\n'
  );
}

const METHOD = `A case is a reply or frame that was mutated: bits flipped, bytes put in, taken out, doubled, moved, cut off, spliced with an earlier frame, lengths and numbers at their extremes, NaN and its codes, frames lost, doubled, out of order; on the wire also words of JSON and samples changed under a check sum that is right. A conversation has one in half of the cases, several in the others, and comes in random pieces.

Sessions are driven whole over a port in memory with a clock that is moved by hand, not over sockets or processes: stallmark-link by its session and takes against the emulator, SCPI and CANopen by their links (drive, digitizer) against the emulator and a scripted drive, Modbus by its conversation and the library over a socket in memory, HID by its parser and reports. The emulator is told what the runner says in such a conversation.

Looked for: anything thrown but a StallmarkError; a call that is not settled after 60 s of the clock; ${MOST_MS / 1000} s for a conversation, ${MOST_QUIET} s for a thousand cases; on the runner's side any feed, start, set point or power after something void was heard or refused, before the bench is made safe and after; on the emulator's side power that nobody asked for, power without limits of the same conversation while an earlier one left 12 N·m behind, and power that outlives its port.`;

function tallies(all: readonly Told[]): string {
  const lines = all.map(({ link, tally, broken = '' }) => {
    if (tally === undefined) return [link, broken, '', '', '', '', '', ''];
    const [first, last, most] = tally.heap;
    const found = Object.values(tally.findings).reduce((sum, one) => sum + one, 0);
    const refused = tally.conversations - tally.accepted;
    return [
      ...[link, String(tally.cases), String(tally.conversations), String(refused)],
      ...[String(tally.accepted), shown(tally.longest), shown(tally.seconds)],
      ...[`${shown(first)} → ${shown(last)} (most ${shown(most)})`, String(found)],
    ];
  });
  const head = [
    'link',
    'cases',
    'conversations',
    'refused',
    'accepted',
    'longest, ms',
    's',
    'heap, MiB: first thousand → last',
    'findings',
  ];
  return table(head, lines);
}

function codes(all: readonly Told[]): string {
  const lines = all.map(({ link, tally }) => [link, listed(tally?.codes ?? {})]);
  return `## Refused with\n\nConversations by each code; one conversation may have several.\n\n${table(['link', 'codes'], lines)}`;
}

function section(title: string, all: readonly Told[], what: 'findings' | 'notes'): string {
  const lines = all.flatMap(({ link, tally, broken }) => {
    const broke = what === 'findings' && broken !== undefined ? [`- ${link}: ${broken}`] : [];
    return [
      ...broke,
      ...Object.entries(tally?.[what] ?? {}).map(([text, n]) => `- ${link}: ${n} × ${text}`),
    ];
  });
  return `## ${title}\n\n${lines.length === 0 ? 'None.' : lines.join('\n')}`;
}

function listed(counts: Readonly<Record<string, number>>): string {
  const all = Object.entries(counts).sort(([, a], [, b]) => b - a);
  return all.map(([code, n]) => `${code} ${n}`).join(', ');
}

const [, , written = '100000', one] = process.argv;
const count = Number(written);
if (!(Number.isSafeInteger(count) && count > 0))
  throw new Error(`COUNT is "${written}", not a whole number above 0`);
const link = HOSTILE_LINKS.find((name) => name === one);
if (link === undefined) await whole(count);
else {
  const tally = await hostileCampaign(link, count, (cases) => process.send?.({ cases }));
  process.send?.({ tally }, () => {
    process.exit(0);
  });
}
