import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { ErrorCode } from '../../src/base/codes.js';
import { StallmarkError } from '../../src/base/error.js';
import { hertz, newtonMetre, radian, second } from '../../src/base/units.js';
import type { Bench, Block, Energized, Load } from '../../src/bench/bench.js';
import {
  type Acknowledgement,
  type EnergizePermit,
  issuePermit,
  PERMIT_LIFETIME,
  type Task,
} from '../../src/bench/permit.js';
import type { Settings } from '../../src/procedure/procedure.js';

/** One bench under the contract, with what the suite must know of it and be able to do to it. */
export interface Subject {
  readonly bench: Bench;
  /** The item in its nest. */
  readonly serial: string;
  /** Wall clock of the bench, ms. */
  now(): number;
  /** Lets that clock go on by ms. */
  later(ms: number): void;
  openGuard(): void | Promise<void>;
  closeGuard(): void | Promise<void>;
  hangLink(): void | Promise<void>;
  mendLink(): void | Promise<void>;
  /** Lets go of what the subject holds besides its bench. */
  end?(): Promise<void>;
}

const CEILING = newtonMetre(12.5);
const DIGEST = 'a1';
const coupled: Settings = { smoothing: 0, fixture: 'coupled' };

function taskOf(subject: Subject, change: Partial<Task> = {}): Task {
  const { bench, serial } = subject;
  return { bench: bench.id, serial, attempt: 1, procedureDigest: DIGEST, ...change };
}

function permitFor(subject: Subject, task = taskOf(subject)): EnergizePermit {
  const reply = (hazard: 'crushing' | 'sudden-torque'): Acknowledgement => ({
    hazard,
    by: 'A. Operator',
    at: subject.now(),
    serial: task.serial,
    attempt: task.attempt,
    language: 'en',
    textIssue: 1,
    means: 'typed at the terminal',
  });
  const permit = issuePermit(task, [], [reply('crushing'), reply('sudden-torque')], subject.now());
  if ('outstanding' in permit) throw new Error('no permit');
  return permit;
}

function energized(subject: Subject): Promise<Energized> {
  return subject.bench.energize(permitFor(subject), taskOf(subject), CEILING);
}

/** A level held, at 1000 updates/s. */
function holding(level: number, seconds: number): Load {
  const command = new Float64Array(Math.round(1000 * seconds)).fill(level);
  return { waveform: { rate: hertz(1000), command }, settings: coupled };
}

async function codeOf(outcome: Promise<unknown>): Promise<ErrorCode | 'none'> {
  try {
    await outcome;
    return 'none';
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems[0].code;
    throw error;
  }
}

async function gathered(blocks: AsyncIterable<Block>, each?: () => void): Promise<Block[]> {
  const found: Block[] = [];
  for await (const block of blocks) {
    found.push(block);
    each?.();
  }
  return found;
}

/** Mean torque above the reading of the unpowered stand, N·m, over the blocks given. */
function meanTorque(blocks: readonly Block[]): number {
  const all = blocks.flatMap((block) => [...(block.samples.torque ?? [])]);
  return all.reduce((a, b) => a + b, 0) / all.length;
}

/** What the unpowered, coupled stand shows: zero and preload. */
async function resting(bench: Bench): Promise<number> {
  return meanTorque(await gathered(bench.observe(second(0.2), coupled)));
}

/** Whether a sample lies in a block: blocks of some links are cut otherwise than others. */
function reaches({ start, samples }: Block, sample: number): boolean {
  return start <= sample && sample < start + (samples.torque?.length ?? 0);
}

/** What every bench must do, whatever it is made of. */
export function benchContract(name: string, make: () => Subject | Promise<Subject>): void {
  describe(`${name}: contract of a bench`, () => {
    let subject: Subject;
    let bench: Bench;
    beforeEach(async () => {
      subject = await make();
      bench = subject.bench;
    });
    afterEach(async () => {
      await bench.close();
      await subject.end?.();
    });

    describe('permits', () => {
      const tryPermit = (permit: EnergizePermit, task = taskOf(subject)) =>
        codeOf(bench.energize(permit, task, CEILING));

      test('a forged permit applies no power', async () => {
        const forged = { ...permitFor(subject) } as EnergizePermit;
        expect(await tryPermit(forged)).toBe('bench/permit-void');
      });

      test('a permit works once', async () => {
        const permit = permitFor(subject);
        expect(await tryPermit(permit)).toBe('none');
        await bench.makeSafe('off');
        expect(await tryPermit(permit)).toBe('bench/permit-void');
      });

      test.each([
        ['another serial', { serial: 'H12-26-00002' }],
        ['another attempt', { attempt: 2 }],
        ['another procedure', { procedureDigest: 'b2' }],
        ['another bench', { bench: 'XX-9' }],
      ])('a permit for %s applies no power', async (_, change) => {
        expect(await tryPermit(permitFor(subject, taskOf(subject, change)))).toBe(
          'bench/permit-void',
        );
      });

      test('a task for another item than the one in the nest applies no power', async () => {
        const task = taskOf(subject, { serial: 'H12-26-00002' });
        expect(await tryPermit(permitFor(subject, task), task)).toBe('bench/wrong-item');
      });

      test('an expired permit applies no power', async () => {
        const permit = permitFor(subject);
        subject.later(PERMIT_LIFETIME);
        expect(await tryPermit(permit)).toBe('bench/permit-void');
      });

      test('making the bench safe voids a permit that was never used', async () => {
        const permit = permitFor(subject);
        await bench.makeSafe('off');
        expect(await tryPermit(permit)).toBe('bench/permit-void');
      });

      test('an opened guard applies no power, and the permit does not outlive it', async () => {
        const permit = permitFor(subject);
        await subject.openGuard();
        expect(await tryPermit(permit)).toBe('bench/interlock');
        await subject.closeGuard();
        expect(await tryPermit(permit)).toBe('bench/permit-void');
      });

      test('asking twice for power ends without power', async () => {
        const first = await energized(subject);
        expect(await tryPermit(permitFor(subject))).toBe('bench/permit-void');
        expect(await codeOf(gathered(first.play(holding(1, 0.1))))).toBe('bench/permit-void');
      });
    });

    test('a ceiling that the device does not read back applies no power', async () => {
      const outcome = bench.energize(permitFor(subject), taskOf(subject), newtonMetre(1000));
      expect(await codeOf(outcome)).toBe('bench/ceiling');
    });

    test('a waveform above the ceiling is refused whole', async () => {
      const rest = await resting(bench);
      const power = await energized(subject);
      const load = holding(1, 0.2);
      load.waveform.command[150] = -12.6;
      const blocks: Block[] = [];
      const play = async (): Promise<void> => {
        for await (const block of power.play(load)) blocks.push(block);
      };
      expect(await codeOf(play())).toBe('bench/ceiling');
      expect(blocks).toEqual([]);
      await bench.makeSafe('off');
      expect(Math.abs((await resting(bench)) - rest)).toBeLessThan(0.03);
    });

    test('a waveform with a value that is no number is refused', async () => {
      const power = await energized(subject);
      const load = holding(1, 0.2);
      load.waveform.command[7] = NaN;
      expect(await codeOf(gathered(power.play(load)))).toBe('quantity/not-finite');
    });

    test('blocks come whole and in order, on every channel, with the torque that was asked for', async () => {
      const rest = await resting(bench);
      const power = await energized(subject);
      const blocks = await gathered(power.play(holding(3, 1.005)), () => {
        power.feed();
      });
      const samples = Math.round(1.005 * bench.ratings.sampleRate);
      let next = 0;
      for (const block of blocks) {
        expect(block.start).toBe(next);
        const lengths = Object.values(block.samples).map((values) => values.length);
        expect(new Set(lengths).size).toBe(1);
        next += lengths[0] ?? 0;
        expect(block.device.torqueEnabled).toBe(true);
        expect(block.device.fault).toBe(0);
      }
      expect(next).toBe(samples);
      const last = blocks.at(-1)?.device;
      expect(last?.updates).toBe(1005);
      expect(last?.missing).toBe(0);
      expect(Math.abs((last?.time ?? NaN) / 1.005 - 1)).toBeLessThan(200e-6);
      expect(meanTorque(blocks.slice(-20)) - rest).toBeCloseTo(3, 0);
    });

    test('takes without power show no torque and no current', async () => {
      const blocks = await gathered(bench.observe(second(0.5), coupled));
      for (const block of blocks) {
        expect(block.device.torqueEnabled).toBe(false);
        expect(Math.max(...(block.samples.current ?? []).map(Math.abs))).toBeLessThan(0.2);
        expect(Math.max(...(block.samples.command ?? []).map(Math.abs))).toBeLessThan(0.01);
      }
      expect(blocks.length).toBe(25);
    });

    test('power on and nothing played is zero torque', async () => {
      const rest = await resting(bench);
      const power = await energized(subject);
      const blocks = await gathered(power.play(holding(0, 0.3)), () => {
        power.feed();
      });
      expect(Math.abs(meanTorque(blocks) - rest)).toBeLessThan(0.1);
    });

    test('every block brings the channels of the ratings', async () => {
      const blocks = await gathered(bench.observe(second(0.04), coupled));
      for (const { samples } of blocks)
        expect(Object.keys(samples)).toEqual(bench.ratings.channels);
    });

    test('silence on purpose is not missing, and takes the torque away until updates come again', async () => {
      const rest = await resting(bench);
      const power = await energized(subject);
      const load = holding(3, 1.2);
      const silence = { from: 400, to: 800 };
      const blocks = await gathered(
        power.play({ ...load, waveform: { ...load.waveform, silence } }),
        () => {
          power.feed();
        },
      );
      expect(meanTorque(blocks.slice(10, 20)) - rest).toBeCloseTo(3, 0);
      expect(Math.abs(meanTorque(blocks.slice(30, 39)) - rest)).toBeLessThan(0.1);
      expect(meanTorque(blocks.slice(-10)) - rest).toBeCloseTo(3, 0);
      const last = blocks.at(-1)?.device;
      expect(last?.missing).toBe(0);
      expect(last?.updates).toBe(800);
    });

    test('a wheel that may ask for more than the ceiling is refused, any is where there is no closed loop', async () => {
      const power = await energized(subject);
      const load = holding(0, 0.2);
      const stiffness = new Float64Array(200).fill(20);
      const wheel = { inertia: 0.03, drag: 0.03, damping: 0.3, stiffness, limit: 12.6 };
      const code = await codeOf(
        gathered(power.play({ ...load, waveform: { ...load.waveform, wheel } })),
      );
      expect(code).toBe(bench.ratings.closedLoop ? 'bench/ceiling' : 'bench/capability');
    });

    test('a wheel is answered within its limit, and a loop that grows ends at zero torque', async () => {
      if (!bench.ratings.closedLoop) return;
      const rest = await resting(bench);
      const power = await energized(subject);
      const load = holding(0.5, 2);
      const stiffness = new Float64Array(2000).fill(500);
      const wheel = { inertia: 0.03, drag: 0.03, damping: 0.3, stiffness, limit: 4 };
      const blocks = await gathered(
        power.play({ ...load, waveform: { ...load.waveform, wheel } }),
        () => {
          power.feed();
        },
      );
      const command = blocks.flatMap((block) => [...(block.samples.command ?? [])]);
      expect(Math.max(...command.slice(0, 10_000).map(Math.abs))).toBeLessThan(4.01);
      expect(Math.abs(meanTorque(blocks.slice(-20)) - rest)).toBeLessThan(0.1);
    });

    test('a bench that turns the shaft by itself does so with power off and on', async () => {
      if (bench.ratings.indexing !== 'bench') return;
      const turned: Settings = { ...coupled, angle: radian(0.05) };
      const rest = meanTorque(await gathered(bench.observe(second(0.2), turned)));
      const power = await energized(subject);
      const load = { ...holding(2, 0.3), settings: turned };
      const blocks = await gathered(power.play(load), () => {
        power.feed();
      });
      expect(meanTorque(blocks.slice(-5)) - rest).toBeCloseTo(2, 0);
    });

    describe('dead-man', () => {
      test('a waveform that nobody feeds is dropped within 100 ms', async () => {
        const power = await energized(subject);
        let seen = 0;
        const play = async (): Promise<void> => {
          for await (const block of power.play(holding(3, 1))) seen = block.start;
        };
        expect(await codeOf(play())).toBe('bench/dead-man');
        expect(bench.ratings.deadMan).toBeLessThanOrEqual(0.1);
        expect(seen / bench.ratings.sampleRate).toBeLessThan(0.1);
      });

      test('a feed after that revives nothing', async () => {
        const power = await energized(subject);
        await codeOf(gathered(power.play(holding(3, 1))));
        power.feed();
        expect(await codeOf(gathered(power.play(holding(3, 1))))).toBe('bench/dead-man');
      });

      test('a hanging link ends in an error and zero torque', async () => {
        const rest = await resting(bench);
        const power = await energized(subject);
        const play = async (): Promise<void> => {
          for await (const block of power.play(holding(3, 1))) {
            power.feed();
            if (block.start > 4000) await subject.hangLink();
          }
        };
        expect(await codeOf(play())).toBe('bench/unreachable');
        await subject.mendLink();
        expect(await codeOf(gathered(power.play(holding(3, 1))))).toBe('bench/dead-man');
        await bench.makeSafe('off');
        expect(Math.abs((await resting(bench)) - rest)).toBeLessThan(0.03);
      });
    });

    test('an opened guard takes the torque away and ends the waveform', async () => {
      const rest = await resting(bench);
      const power = await energized(subject);
      const play = async (): Promise<void> => {
        for await (const block of power.play(holding(3, 1))) {
          power.feed();
          if (reaches(block, 4000)) await subject.openGuard();
        }
      };
      expect(await codeOf(play())).toBe('bench/interlock');
      await subject.closeGuard();
      expect(await codeOf(gathered(power.play(holding(3, 1))))).toBe('bench/interlock');
      await bench.makeSafe('off');
      expect(Math.abs((await resting(bench)) - rest)).toBeLessThan(0.03);
    });

    test('asked to prove the stop, it goes on after a line opened and says at which sample', async () => {
      if (bench.ratings.lacks?.stopMark === true) {
        const load = { ...holding(3, 1), afterStop: second(0.2) };
        const asked = gathered((await energized(subject)).play(load));
        expect(await codeOf(asked)).toBe('bench/capability');
        return;
      }
      const rest = await resting(bench);
      const power = await energized(subject);
      const blocks: Block[] = [];
      for await (const block of power.play({ ...holding(3, 1), afterStop: second(0.2) })) {
        blocks.push(block);
        power.feed();
        if (reaches(block, 4000)) await subject.openGuard();
      }
      const opened = blocks.at(-1)?.opened ?? NaN;
      expect(opened).toBeGreaterThan(4000);
      expect(blocks.find((block) => block.opened !== undefined)?.start).toBeGreaterThan(4000);
      const last = blocks.at(-1);
      const end = (last?.start ?? NaN) + (last?.samples.torque?.length ?? NaN);
      expect(end - opened).toBeGreaterThanOrEqual(0.2 * bench.ratings.sampleRate);
      expect(end - opened).toBeLessThan(0.3 * bench.ratings.sampleRate);
      expect(Math.abs(meanTorque(blocks.slice(-5)) - rest)).toBeLessThan(0.03);
      await subject.closeGuard();
      expect(await codeOf(gathered(power.play(holding(3, 1))))).toBe('bench/interlock');
      for (const after of [0, -1, 60, NaN]) {
        const asked = { ...holding(1, 0.1), afterStop: after as ReturnType<typeof second> };
        await bench.makeSafe('off');
        const again = await energized(subject);
        expect(await codeOf(gathered(again.play(asked)))).toBe('bench/capability');
      }
    });

    describe.each(['ramp', 'off'] as const)('made safe by %s', (how) => {
      const states: readonly (readonly [string, () => Promise<Energized | undefined>])[] = [
        ['off', () => Promise.resolve(undefined)],
        ['energized', () => energized(subject)],
        [
          'playing',
          async () => {
            const power = await energized(subject);
            for await (const block of power.play(holding(6, 1))) {
              power.feed();
              if (block.start > 4000) break;
            }
            return power;
          },
        ],
        [
          'dropped by the dead-man',
          async () => {
            const power = await energized(subject);
            await codeOf(gathered(power.play(holding(6, 1))));
            return power;
          },
        ],
        [
          'cut by the guard',
          async () => {
            const power = await energized(subject);
            await subject.openGuard();
            return power;
          },
        ],
      ];
      for (const [state, reach] of states) {
        test(`from ${state}: no torque, no handle and no permit is left; twice is once`, async () => {
          const rest = await resting(bench);
          const power = await reach();
          await bench.makeSafe(how);
          await bench.makeSafe(how);
          await subject.closeGuard();
          if (power !== undefined) {
            expect(await codeOf(gathered(power.play(holding(1, 0.1))))).toBe('bench/permit-void');
            expect(() => {
              power.feed();
            }).toThrow('bench/permit-void');
          }
          const after = await gathered(bench.observe(second(0.2), coupled));
          expect(Math.abs(meanTorque(after) - rest)).toBeLessThan(0.03);
          expect(after.every((block) => !block.device.torqueEnabled)).toBe(true);
        });
      }

      test('in the middle of a waveform: its reader gets an error, not silence', async () => {
        const power = await energized(subject);
        const play = async (): Promise<void> => {
          for await (const block of power.play(holding(6, 1))) {
            power.feed();
            if (reaches(block, 4000)) await bench.makeSafe(how);
          }
        };
        expect(await codeOf(play())).toBe('bench/permit-void');
      });
    });
  });
}
