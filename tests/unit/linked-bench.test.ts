import { setImmediate as turn } from 'node:timers/promises';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { ampere, hertz, newtonMetre, second } from '../../src/base/units.js';
import type { Block, Load, Ratings } from '../../src/bench/bench.js';
import { issuePermit, type EnergizePermit, type Task } from '../../src/bench/permit.js';
import { problem } from '../../src/bench/refusal.js';
import { linkedBench, type LinkedParts } from '../../src/rig/linked-bench.js';
import { handClock } from '../support/clock.js';
import { fakeLinks, type FakeLinks } from '../support/fake-links.js';

const clock = handClock();
const task: Task = { bench: 'TW-2', serial: 'H12-26-04711', attempt: 1, procedureDigest: 'a1' };
const CEILING = newtonMetre(12.5);

const RATINGS: Ratings = {
  ...{ torqueRange: newtonMetre(20), currentRange: ampere(30), sampleRate: hertz(20_000) },
  ...{ maximumUpdates: hertz(1000), deadMan: second(0.06), fixtures: ['coupled'] },
  ...{ channels: ['command', 'current', 'torque', 'supply', 'winding'], indexing: 'none' },
  ...{ closedLoop: false, lacks: { smoothing: [0, 2], slew: true, silence: true } },
  timing: { method: 'command', uncertainty: second(2e-5) },
};

/** The same without a dead-man in the device. */
const UNWATCHED: Ratings = { ...RATINGS, lacks: { ...RATINGS.lacks, deadMan: newtonMetre(0.5) } };

function benchOf(links: FakeLinks, change: Partial<LinkedParts> = {}) {
  return linkedBench({
    station: {
      ...{ id: 'TW-2', kind: 'emulated' },
      links: {
        ...{ links: new Map(), channels: new Map(), timing: RATINGS.timing },
        roles: { drive: 'drive', digitizer: 'digitizer', interlock: 'guard' },
        safeTouch: newtonMetre(0.5),
      },
    },
    ...links,
    ...{ ratings: RATINGS, ceilingStep: 0, clock },
    ...change,
  });
}

function permit(): EnergizePermit {
  const acknowledgement = (hazard: 'crushing' | 'sudden-torque') => ({
    ...{ hazard, by: 'operator 17', at: clock.now(), serial: task.serial, attempt: 1 },
    ...{ language: 'en', textIssue: 1, means: 'typed at the terminal' as const },
  });
  const issued = issuePermit(
    task,
    [],
    [acknowledgement('crushing'), acknowledgement('sudden-torque')],
    clock.now(),
  );
  if ('outstanding' in issued) throw new Error('no permit');
  return issued;
}

const holding = (level: number, change: Partial<Load> = {}): Load => ({
  waveform: { rate: hertz(1000), command: new Float64Array(100).fill(level) },
  settings: { smoothing: 0, fixture: 'coupled' },
  ...change,
});

async function codesOf(outcome: Promise<unknown>): Promise<readonly string[]> {
  try {
    await outcome;
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
    throw error;
  }
  return [];
}

async function gathered(blocks: AsyncIterable<Block>, each?: () => void): Promise<Block[]> {
  const found: Block[] = [];
  for await (const block of blocks) {
    found.push(block);
    each?.();
  }
  return found;
}

test('limits come before power, the take before the waveform, and zero after it', async () => {
  const links = fakeLinks();
  const power = await benchOf(links).energize(permit(), task, CEILING);
  await gathered(power.play(holding(3)), () => {
    power.feed();
  });
  expect(links.acts).toEqual([
    ...['limit 12.5 N·m, 0.06 s', 'energize', 'load', 'arm 2000 on trigger', 'start'],
    ...['feed', 'feed', 'feed', 'feed', 'feed', 'finish', 'end'],
  ]);
});

test.each([
  ['a ceiling read back higher', (ceiling: number) => ceiling + 1, 0, 'bench/ceiling'],
  [
    'a ceiling read back lower than its step',
    (ceiling: number) => ceiling - 0.1,
    0.01,
    'bench/ceiling',
  ],
])('%s applies no power', async (_, back, ceilingStep, code) => {
  const links = fakeLinks();
  links.held = (limits) => ({ ...limits, ceiling: newtonMetre(back(limits.ceiling)) });
  const bench = benchOf(links, { ceilingStep });
  expect(await codesOf(bench.energize(permit(), task, CEILING))).toEqual([code]);
  expect(links.acts).not.toContain('energize');
});

test('a ceiling that is a step of 0.01 N·m lower is held, and waveforms are held to it', async () => {
  const links = fakeLinks();
  links.held = (limits) => ({ ...limits, ceiling: newtonMetre(12.49) });
  const power = await benchOf(links, { ceilingStep: 0.0101 }).energize(permit(), task, CEILING);
  expect(await codesOf(gathered(power.play(holding(12.495))))).toEqual(['bench/ceiling']);
  expect(links.acts).not.toContain('load');
});

test('a dead-man that is read back longer than 0.06 s applies no power', async () => {
  const links = fakeLinks();
  links.held = (limits) => ({ ...limits, deadMan: second(0.2) });
  expect(await codesOf(benchOf(links).energize(permit(), task, CEILING))).toEqual([
    'link/read-back',
  ]);
  expect(links.acts).not.toContain('energize');
});

test('without a dead-man there is no power above the safe touch of 0.5 N·m, and power at it', async () => {
  const links = fakeLinks();
  const bench = benchOf(links, { ratings: UNWATCHED });
  expect(await codesOf(bench.energize(permit(), task, newtonMetre(0.51)))).toEqual([
    'bench/capability',
  ]);
  expect(links.acts).toEqual([]);
  expect(await codesOf(bench.energize(permit(), task, newtonMetre(0.5)))).toEqual([]);
});

test.each<[string, Partial<Load>]>([
  ['smoothing 1', { settings: { smoothing: 1, fixture: 'coupled' } }],
  ['a slew', { settings: { smoothing: 0, fixture: 'coupled', slew: 1000 as never } }],
  [
    'a silence',
    {
      waveform: {
        ...{ rate: hertz(1000), command: new Float64Array(100).fill(1) },
        silence: { from: 10, to: 20 },
      },
    },
  ],
])('%s that no link can do is refused before anything is loaded', async (_, change) => {
  const links = fakeLinks();
  const power = await benchOf(links).energize(permit(), task, CEILING);
  expect(await codesOf(gathered(power.play(holding(1, change))))).toEqual(['bench/capability']);
  expect(links.acts).not.toContain('load');
});

test('a device that says torque is off and names no fault ends the take', async () => {
  const links = fakeLinks();
  const power = await benchOf(links).energize(permit(), task, CEILING);
  const play = gathered(power.play(holding(1)), () => {
    links.report = { ...links.report, torqueEnabled: false };
  });
  expect(await codesOf(play)).toEqual(['bench/device-fault']);
  expect(links.acts.slice(-2)).toEqual(['finish', 'end']);
});

test('a fault number that nobody knows is a fault of the device, in its own words', async () => {
  const links = fakeLinks();
  const drive = { ...links.drive, complaint: 'phase U open' };
  const power = await benchOf({ ...links, drive }).energize(permit(), task, CEILING);
  links.report = { ...links.report, fault: 4711, torqueEnabled: false };
  const reader = power.play(holding(1))[Symbol.asyncIterator]();
  await expect(reader.next()).rejects.toThrow('It says: phase U open');
});

test('a drive that does not answer the stop is let go, waited for, and then taken as off by its dead-man', async () => {
  const links = fakeLinks();
  const drive = {
    ...links.drive,
    makeSafe: () => Promise.reject(problem('link/silent', 'It said nothing.', 'Look at it.')),
  };
  const bench = benchOf({ ...links, drive });
  await bench.energize(permit(), task, CEILING);
  const stopped = bench.makeSafe('off');
  await turn(); // the link is let go, and the wait begins
  await clock.advance(250);
  await stopped;
  expect(links.acts.at(-1)).toBe('close drive');
});

test('without a dead-man a stop that nobody confirmed is told, with what to do', async () => {
  const links = fakeLinks();
  const drive = {
    ...links.drive,
    makeSafe: () => Promise.reject(problem('link/silent', 'It said nothing.', 'Look at it.')),
  };
  const bench = benchOf({ ...links, drive }, { ratings: UNWATCHED });
  await bench.energize(permit(), task, newtonMetre(0.5));
  const stopped = codesOf(bench.makeSafe('off'));
  await turn(); // the link is let go, and the wait begins
  await clock.advance(250);
  expect(await stopped).toEqual(['bench/unreachable', 'link/silent']);
});

test('where the command is not captured, it is laid under the samples as it was sent', async () => {
  const links = fakeLinks();
  const blind = {
    ...links.digitizer,
    blocks: async function* () {
      for await (const { samples, ...block } of links.digitizer.blocks()) {
        const { command, ...others } = samples;
        expect(command).toBeDefined();
        yield { ...block, samples: others };
      }
    },
  };
  const timing = { method: 'trigger', uncertainty: second(1e-4) } as const;
  const bench = benchOf({ ...links, digitizer: blind }, { ratings: { ...RATINGS, timing } });
  const power = await bench.energize(permit(), task, CEILING);
  const ramp = Float64Array.from({ length: 100 }, (_, i) => i / 100);
  const load = holding(0, { waveform: { rate: hertz(1000), command: ramp } });
  const blocks = await gathered(power.play(load));
  expect(blocks).toHaveLength(5);
  expect(blocks.at(-1)?.samples.command?.at(-1)).toBeCloseTo(0.99, 6);
  expect(Object.keys(blocks[0]?.samples ?? {})).toEqual(RATINGS.channels);
});

test('timed by the clock of the host, samples are taken before the waveform is started', async () => {
  const links = fakeLinks();
  const timing = { method: 'host', uncertainty: second(5e-3) } as const;
  const bench = benchOf(links, { ratings: { ...RATINGS, timing } });
  const power = await bench.energize(permit(), task, CEILING);
  await gathered(power.play(holding(1)));
  expect(links.acts).toContain('arm 2000 on now');
});

test('surroundings that nobody tells are missing by name', async () => {
  const links = fakeLinks();
  const digitizer = { ...links.digitizer, environment: () => Promise.resolve({ humidity: 0.4 }) };
  await expect(benchOf({ ...links, digitizer }).environment()).rejects.toThrow(
    'tells only humidity of the surroundings',
  );
});
