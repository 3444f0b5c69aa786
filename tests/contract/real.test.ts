import { existsSync, readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { describe } from 'vitest';
import { systemClock, type Clock } from '../../src/base/clock.js';
import type { Bench } from '../../src/bench/bench.js';
import { readStation } from '../../src/procedure/schema.js';
import { openRig, type LinkedStation } from '../../src/rig/open-rig.js';
import { benchContract } from './bench-contract.js';

/**
 * The contract over the hardware of a bench description: STALLMARK_BENCH names the file, STALLMARK_ITEM the
 * serial of the item in the nest. Torque of up to 6 N·m is applied again and again; a person opens and closes
 * the guard and unplugs the link when told to. STALLMARK_HANDS_OFF=yes says that nobody is near the shaft.
 */
const file = process.env['STALLMARK_BENCH'];
const serial = process.env['STALLMARK_ITEM'];
const isAllowed = process.env['STALLMARK_HANDS_OFF'] === 'yes';

/** s that a person has for what is asked. */
const TO_ACT = 120;

function stationOf(path: string): LinkedStation {
  const station = readStation(readFileSync(path, 'utf8'), path, (name) => {
    const beside = join(dirname(path), name);
    return existsSync(beside) ? readFileSync(beside) : undefined;
  });
  if (station.links === undefined) throw new Error(`${path} names no links`);
  return { ...station, links: station.links };
}

async function asked(what: string, isDone: () => Promise<boolean>): Promise<void> {
  process.stderr.write(`\n>>> ${what}\n`);
  for (const until = systemClock.monotonic() + 1000 * TO_ACT; systemClock.monotonic() < until;) {
    if (await isDone()) return;
    await systemClock.wait(20);
  }
  throw new Error(`nobody did it within ${TO_ACT} s: ${what}`);
}

const guardIs = (bench: Bench, state: 'open' | 'closed') => async (): Promise<boolean> =>
  (await bench.interlocks()).guard === state;

describe.skipIf(file === undefined || serial === undefined || !isAllowed)(
  'hardware, named in STALLMARK_BENCH',
  () => {
    benchContract(file ?? '', async () => {
      let offset = 0; // ms by which the test moved the wall clock on
      const clock: Clock = { ...systemClock, now: () => systemClock.now() + offset };
      const bench = await openRig(
        stationOf(file ?? ''),
        { serial: serial ?? '', attempt: 1 },
        clock,
      );
      const told = (what: string) => (): Promise<void> => asked(what, () => Promise.resolve(true));
      return {
        bench,
        serial: serial ?? '',
        now: () => clock.now(),
        later: (ms) => {
          offset += ms;
        },
        openGuard: () => asked('Open the guard.', guardIs(bench, 'open')),
        closeGuard: () => asked('Close the guard.', guardIs(bench, 'closed')),
        hangLink: told('Unplug the link of the drive now.'),
        mendLink: told('Plug it in again.'),
      };
    });
  },
);
