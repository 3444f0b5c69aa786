import { problem } from '../../src/bench/refusal.js';
import { serveScpi } from '../../src/emulator/scpi-server.js';
import { serveCia402 } from '../../src/emulator/slcan-drive.js';
import { serveWire } from '../../src/emulator/wire-server.js';
import type { Port } from '../../src/link/port.js';
import { cia402Description } from './cia402-bed.js';
import { handClock, type HandClock } from './clock.js';
import { FakeStand } from './fake-stand.js';
import { hostileCable, outcome, turn, type Outcome } from './hostile-cable.js';
import { Mangler, resealed, type Bytes } from './hostile-mutation.js';
import {
  cia402Runner,
  DIGITIZER,
  GENERATOR,
  scpiDigitizerRunner,
  scpiDriveRunner,
  wireRunner,
  type Told,
  type Trial,
} from './hostile-runner.js';

/** A stand that enters each time power came on, and with which limits; as the simulated one, never without any. */
class EnteringStand extends FakeStand {
  /** Limits that an earlier conversation left behind. */
  override limits = { ...LEFT };
  readonly energized: { readonly ceiling: number; readonly deadMan: number }[] = [];

  override energize(): void {
    if (!(this.limits.ceiling > 0)) {
      throw problem('bench/ceiling', 'The ceiling is 0 N·m.', 'Set a ceiling above 0 N·m first.');
    }
    super.energize();
    this.energized.push(this.limits);
  }
}

const LEFT = { ceiling: 12, deadMan: 0.1 };

/** One served side of the emulator, with what a runner said to it. */
export interface Served {
  readonly name: string;
  readonly serve: (port: Port, stand: FakeStand, clock: HandClock) => void;
  /** What a runner said in a conversation with power, and in the part of it that needs none. */
  readonly withPower: readonly Bytes[];
  readonly withoutPower: readonly Bytes[];
  readonly special?: (frame: Bytes, random: () => number) => Bytes;
  /** ms of quiet after it, for what waits for an end. */
  readonly quiet: number;
}

async function recorded(run: (trial: Trial) => Promise<Told>): Promise<readonly Bytes[]> {
  const said: Bytes[] = [];
  await run({ frames: 0, record: (bytes) => said.push(bytes) });
  return said;
}

const isSaid = (bytes: Bytes, ...words: readonly string[]): boolean => {
  const text = Buffer.from(bytes).toString('latin1');
  return words.some((word) => text.includes(word));
};

/** Records what the runner says to the devices of each language. */
export async function servedSides(): Promise<readonly Served[]> {
  const wire = await recorded(wireRunner);
  const drive = await recorded(scpiDriveRunner);
  const digitizer = await recorded(scpiDigitizerRunner);
  const can = await recorded(cia402Runner);
  const before = (all: readonly Bytes[], ...words: readonly string[]): readonly Bytes[] =>
    all.slice(
      0,
      all.findIndex((one) => isSaid(one, ...words)),
    );
  return [
    {
      name: 'wire',
      serve: (port, stand, clock) => {
        serveWire(port, stand, 'stand', { clock, nanoseconds: () => 0n });
      },
      ...{ withPower: wire, withoutPower: before(wire, '"energize"'), special: resealed },
      quiet: 60,
    },
    {
      name: 'SCPI drive',
      serve: (port, stand, clock) => {
        serveScpi(port, GENERATOR, stand, clock);
      },
      ...{ withPower: drive, withoutPower: before(drive, 'OUTP ON') },
      quiet: 2500,
    },
    {
      name: 'SCPI digitizer',
      serve: (port, stand, clock) => {
        serveScpi(port, DIGITIZER, stand, clock);
      },
      ...{ withPower: digitizer, withoutPower: digitizer },
      quiet: 2500,
    },
    {
      name: 'SLCAN',
      serve: (port, stand, clock) => {
        // As the link that is served does it: a drive whose port ended is off (src/emulator/served-link.ts).
        const listening: Port = {
          ...port,
          listen: (listener) => {
            port.listen({
              bytes: (bytes) => {
                listener.bytes(bytes);
              },
              closed: (reason) => {
                listener.closed(reason);
                stand.off(`end of file: ${reason}`);
              },
            });
          },
        };
        serveCia402(listening, cia402Description, stand, clock);
      },
      ...{ withPower: can, withoutPower: before(can, 't60582B406000') },
      quiet: 200,
    },
  ];
}

/** Bytes that a device may send in one conversation. */
const MOST_SENT = 2 ** 20;

const ABORT = 'SDO abort';

/** What power came on with, and how many transfers were broken off. */
interface Power {
  readonly aborts: number;
  readonly energized: readonly { readonly ceiling: number; readonly deadMan: number }[];
}

/** Says one conversation to a served side, mutated where there is a generator. */
export async function hostileServed(
  side: Served,
  { random, hasPower, sound }: { random?: () => number; hasPower: boolean; sound?: Power },
): Promise<Told & Power> {
  const clock = handClock();
  const stand = new EnteringStand();
  const told: Outcome = outcome();
  const frames = hasPower ? side.withPower : side.withoutPower;
  const mangler = random && new Mangler(random, frames.length, side.special);
  let sent = 0;
  let aborts = 0;
  const { near, far } = hostileCable(
    {
      arriving: (bytes) => {
        sent += bytes.length;
        for (const code of refusalsIn(bytes)) {
          told.codes.add(code);
          if (code === ABORT) aborts += 1;
        }
      },
    },
    told,
  );
  near.listen({ bytes: () => undefined, closed: () => undefined });
  side.serve(far, stand, clock);
  for (const frame of frames) {
    for (const part of mangler?.pass(frame) ?? [frame]) void near.write(part);
    await turn();
    await turn();
    stand.advance(1);
  }
  await clock.advance(side.quiet);
  const taken = stand.take;
  await near.close();
  await turn();
  await clock.advance(50);
  if (stand.isEnergized) told.findings.push('torque: the stand is energized after its port ended');
  if (sent > MOST_SENT) told.findings.push(`${sent} bytes were sent in one conversation`);
  taken?.end();
  // The drive that was recorded has objects that the served one has not.
  if (aborts <= (sound?.aborts ?? 0)) told.codes.delete(ABORT);
  judge(stand, told, { hasPower, ...(sound === undefined ? {} : { sound }) });
  return {
    ...told,
    mutated: mangler?.count ?? 0,
    frames: frames.length,
    energized: stand.energized,
    aborts,
  };
}

function judge(
  { energized, acts }: EnteringStand,
  told: Outcome,
  { hasPower, sound }: { hasPower: boolean; sound?: Power },
): void {
  if (sound === undefined) return;
  const asked = sound.energized[0];
  const last = acts.slice(-30).join(', ');
  for (const [i, { ceiling, deadMan }] of energized.entries()) {
    if (!hasPower || asked === undefined) {
      told.findings.push(
        `torque: energized with ${ceiling} N·m where nobody asked for power: ${last}`,
      );
    } else if (!acts.some((act) => act.startsWith('limit'))) {
      told.findings.push(`torque: energized without limits: ${last}`);
    } else if (ceiling !== asked.ceiling || deadMan !== asked.deadMan) {
      told.notes.push(
        `on with ${ceiling.toPrecision(3)} N·m, ${deadMan.toPrecision(2)} s: limits that were mutated, or lost for those of the device`,
      );
    } else if (i > 0) told.notes.push('on again with the limits of the conversation');
  }
}

/** Words of refusal in what a device sends: codes of the wire, numbers of SCPI errors, aborts of SDO. */
function refusalsIn(bytes: Bytes): readonly string[] {
  const text = Buffer.from(bytes).toString('latin1');
  const found = [
    ...text.matchAll(/"code":"([a-z/-]+)"/gu),
    ...text.matchAll(/^(-\d{3}),"/gmu),
    ...text.matchAll(/^t5858(80)[0-9A-F]{6}(?:[0-9A-F]{8})/gmu),
  ].map(([, code]) => (code === '80' ? ABORT : (code ?? '')));
  if (text === '\x07') found.push('BEL');
  if (text.includes('"event":"log"')) found.push('void frame');
  return found;
}
