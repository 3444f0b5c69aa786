import { afterAll, beforeAll, describe } from 'vitest';
import { systemClock, type Clock } from '../../src/base/clock.js';
import { FAULT_CODES } from '../../src/bench/drive.js';
import { openRig } from '../../src/rig/open-rig.js';
import { emulated, MAKE_UPS, type Emulated, type MakeUp } from '../support/emulated.js';
import { benchContract } from './bench-contract.js';

const SERIAL = 'H12-26-04711';

/** The contract over one make-up of links, with the emulator in a process of its own behind them. */
function linksContract(makeUp: MakeUp): void {
  let far: Emulated;
  beforeAll(async () => {
    far = await emulated(makeUp);
  });
  afterAll(() => far.end());

  benchContract(makeUp, async () => {
    let offset = 0; // ms by which the test moved the wall clock on
    const clock: Clock = { ...systemClock, now: () => systemClock.now() + offset };
    const bench = await openRig(far.station, { serial: SERIAL, attempt: 1 }, clock);
    const nasty = (how: string | null): Promise<unknown> =>
      far.control({ nasty: Object.fromEntries(far.links.map((link) => [link, how])) });
    const lines = async (guard: 'open' | 'closed'): Promise<void> => {
      await far.control({ lines: { guard } });
      // A line is seen within its polling time, and the bench must be asked until it is.
      for (let tries = 0; tries < 100; tries += 1) {
        if ((await bench.interlocks()).guard === guard) return;
        await systemClock.wait(5);
      }
      throw new Error(`the guard is not seen ${guard}`);
    };
    return {
      bench,
      serial: SERIAL,
      now: () => clock.now(),
      later: (ms) => {
        offset += ms;
      },
      openGuard: () => lines('open'),
      closeGuard: () => lines('closed'),
      hangLink: async () => {
        await nasty('stall');
      },
      mendLink: async () => {
        // Nobody feeds meanwhile; the plant of a patient stand takes its time until it notices.
        for (let tries = 0; tries < 200; tries += 1) {
          if ((await far.control({ report: true }))['fault'] === FAULT_CODES.deadMan) break;
          await systemClock.wait(10);
        }
        await nasty(null);
      },
      end: async () => {
        if (makeUp === 'wire-child') return; // it ended with its bench
        await far.mend();
        await far.control({ lines: { guard: 'closed' } });
      },
    };
  });
}

// Links have deadlines of a quarter of a second by the clock; a machine that stands still longer while other
// tests run misses them, and a bench then does what it must: nothing. So a test may be tried again.
for (const makeUp of MAKE_UPS) {
  describe(makeUp, { retry: 2 }, () => {
    linksContract(makeUp);
  });
}
