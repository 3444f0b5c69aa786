import { fileURLToPath } from 'node:url';
import { afterEach, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { hertz, newtonMetre, second } from '../../src/base/units.js';
import type { Load } from '../../src/bench/bench.js';
import type { SampleBlock } from '../../src/rig/rig.js';
import { wireLink, type WireLink, type WireUse } from '../../src/rig/wire-link.js';
import { handClock, type HandClock } from '../support/clock.js';

const adapter = fileURLToPath(new URL('../support/small-adapter.mjs', import.meta.url));
const opened: WireLink[] = [];

interface Linked {
  readonly link: WireLink;
  readonly clock: HandClock;
  /** What the adapter wrote to its standard error. */
  readonly lines: string[];
}

function linked(how: string, use: Omit<WireUse, 'log'> = {}): Linked {
  const clock = handClock();
  const lines: string[] = [];
  const place = { kind: 'command', command: [process.execPath, adapter, how] } as const;
  const link = wireLink('stand', place, clock, { ...use, log: (line) => lines.push(line) });
  opened.push(link);
  return { link, clock, lines };
}

afterEach(async () => {
  await Promise.all(opened.splice(0).map((link) => link.close()));
});

async function codesOf(act: Promise<unknown>): Promise<readonly string[]> {
  return (await problemsOf(act)).map(({ code }) => code);
}

async function problemsOf(act: Promise<unknown>): Promise<StallmarkError['problems']> {
  try {
    await act;
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
  throw new Error('nothing was refused');
}

async function blocksOf(link: WireLink): Promise<readonly SampleBlock[]> {
  const blocks: SampleBlock[] = [];
  for await (const block of link.blocks()) blocks.push(block);
  return blocks;
}

const TAKE = { samples: 2000, rate: hertz(20_000), on: 'now' } as const;
const LIMITS = { ceiling: newtonMetre(2), deadMan: second(0.09) };
const load = (updates: number, over: Partial<Load['settings']> = {}): Load => ({
  waveform: {
    rate: hertz(1000),
    command: Float64Array.from({ length: updates }, (_, i) => 1.25 * Math.sin(i / 100)),
  },
  settings: { smoothing: 0, fixture: 'coupled', ...over },
});

test('an adapter tells what it can do, in the types of a rig, once for all three roles', async () => {
  const { link } = linked('well');
  const [drive, digitizer, interlock] = await Promise.all([link.open(), link.open(), link.open()]);
  expect(drive).toBe(digitizer);
  expect(interlock).toBe(drive);
  expect(drive).toEqual({
    simulated: true,
    deadMan: { from: 0.02, to: 0.5 },
    maximumUpdates: 2000,
    smoothing: [0, 1, 2, 3],
    setsSlew: true,
    silence: false,
    closedLoop: true,
    ceilingStep: 0.001,
    paced: 'device',
    rates: [20_000],
    channels: ['command', 'current', 'torque', 'supply', 'winding'],
    fixtures: ['coupled', 'uncoupled'],
    indexing: 'none',
    trigger: true,
    marksStop: true,
  });
  expect(await link.identify()).toMatchObject({
    serial: 'H12-0001',
    components: [{ kind: 'motor' }],
  });
  expect(await link.environment()).toEqual({ ambient: 23.5, humidity: 0.4, supply: 24 });
  expect(await link.read()).toMatchObject({ guard: 'closed', presence: 'held' });
});

test('a take of 2000 samples comes in 5 blocks, each channel taken apart, with the report of the drive', async () => {
  const { link } = linked('well');
  await link.open();
  await link.arm(TAKE);
  const blocks = await blocksOf(link);
  expect(blocks.map(({ start }) => start)).toEqual([0, 400, 800, 1200, 1600]);
  expect(blocks.map(({ clock }) => clock)).toEqual([0.02, 0.04, 0.06, 0.08, 0.1]);
  expect(blocks[4]?.samples.torque?.[399]).toBe(Math.fround(2 + 1999 / 1e6));
  expect(Object.keys(blocks[0]?.samples ?? {})).toHaveLength(5);
  expect(blocks[2]?.device).toEqual({
    ...{ updates: 60, missing: 0, linkLost: 0, duty: 0.25, time: 0.06 },
    ...{ fault: 0, torqueEnabled: false },
  });
  expect(blocks[0]?.opened).toBeUndefined();
  await link.end();
  await link.arm(TAKE);
  expect(await blocksOf(link)).toHaveLength(5);
});

test('a waveform of 20000 updates goes over in parts, plays while it is fed, and ends made safe', async () => {
  const { link, lines } = linked('well');
  await link.open();
  expect(await link.limit(LIMITS)).toEqual(LIMITS);
  await link.energize();
  expect((await link.report()).torqueEnabled).toBe(true);
  await link.load(load(20_000));
  await link.arm({ ...TAKE, on: 'trigger' });
  await link.start();
  for await (const block of link.blocks()) {
    expect(block.device?.torqueEnabled).toBe(true);
    link.feed();
  }
  await link.finish();
  await link.end();
  await link.makeSafe('ramp');
  expect((await link.report()).torqueEnabled).toBe(false);
  await link.close();
  expect(lines).toEqual(['small adapter, well', 'torque on', 'torque off: made safe']);
});

test('a block is news of the drive while its take is read, and not after', async () => {
  const { link } = linked('well');
  await link.open();
  await link.arm(TAKE);
  const times: number[] = [];
  for await (const block of link.blocks()) {
    if (block.start === 1600) times.push((await link.report()).time);
  }
  times.push((await link.report()).time);
  expect(times).toEqual([0.1, 0]); // the status of this adapter has no time
});

test('what the adapter did not say that it can is refused before it is asked, and the link stays', async () => {
  const { link } = linked('well');
  await link.open();
  expect(await codesOf(link.load(load(10, { smoothing: 5 })))).toEqual(['link/ability']);
  expect(await codesOf(link.arm({ ...TAKE, rate: hertz(10_000) }))).toEqual(['link/ability']);
  expect((await link.identify()).serial).toBe('H12-0001');
});

const AT_OPEN = [
  ['version', ['link/version'], 'speaks version 2 of the protocol; version 1 is spoken here'],
  ['lying', ['link/ability', 'link/ability'], 'has a dead-man of 0.2 … 0.1 s'],
  ['units', ['link/ability'], 'gives channel "current" in mA, not in A'],
] as const;

for (const [how, codes, words] of AT_OPEN) {
  test(`an adapter with a wrong ${how} is refused when it is called, and again at each request`, async () => {
    const { link } = linked(how);
    const problems = await problemsOf(link.open());
    expect(problems.map(({ code }) => code)).toEqual(codes);
    expect(problems[0].what).toContain(words);
    expect(await codesOf(link.identify())).toEqual(['link/closed']);
  });
}

test('an adapter that is only a digitizer is refused as a drive', async () => {
  const wanted = linked('digitizer-only', { roles: ['drive', 'digitizer'] });
  const [{ code, what }] = await problemsOf(wanted.link.open());
  expect([code, what]).toEqual([
    'link/ability',
    'The link "stand" is wanted as drive, but is only digitizer.',
  ]);
  const { link } = linked('digitizer-only');
  expect((await link.open()).smoothing).toEqual([]);
  expect(await codesOf(link.energize())).toEqual(['link/ability']);
  expect(await link.read()).toMatchObject({ guard: 'open', age: Infinity });
  await link.arm(TAKE);
  expect((await blocksOf(link))[0]?.device).toBeUndefined();
});

const IN_TAKES = [
  ['gap', 'link/gap', 'sent block 3; block 2 is the next'],
  ['duplicate', 'link/duplicate', 'sent block 1 again; block 2 is the next'],
  ['clock', 'link/clock', 'moved by 6.0 ms against its samples'],
  ['clock-back', 'link/clock', 'went back from 0.040000 s to 0.010000 s'],
  ['nan', 'link/garbled', 'sent NaN as value 36 of a block'],
] as const;

for (const [how, code, words] of IN_TAKES) {
  test(`a take with ${how} in its third block ends the link, and torque with it`, async () => {
    const { link, lines } = linked(how);
    await link.open();
    await link.limit(LIMITS);
    await link.energize();
    await link.arm(TAKE);
    const [problem] = await problemsOf(blocksOf(link));
    expect(problem.code).toBe(code);
    expect(problem.what).toContain(words);
    expect(await codesOf(link.identify())).toEqual([code]);
    expect(await link.read()).toMatchObject({ guard: 'open', emergencyStop: 'pressed' });
    await link.makeSafe('off'); // heard of the end, so it is off by rule
    expect(lines).toContain('torque off: end of file');
    await link.open();
    expect((await link.identify()).serial).toBe('H12-0001');
  });
}

test('a frame that was lost on the way is told as a gap', async () => {
  const { link } = linked('sequence');
  await link.open();
  await link.arm(TAKE);
  expect(await codesOf(blocksOf(link))).toEqual(['link/gap']);
});

test('samples that stay away are given up after 250 ms, and the link can still be made safe', async () => {
  const { link, clock } = linked('silent-samples');
  await link.open();
  await link.arm(TAKE);
  const blocks = link.blocks();
  await blocks[Symbol.asyncIterator]().next();
  await blocks[Symbol.asyncIterator]().next();
  const third = codesOf(blocks[Symbol.asyncIterator]().next());
  await clock.advance(249);
  await clock.advance(1);
  expect(await third).toEqual(['link/silent']);
  await link.makeSafe('off');
});

test('a reply that comes late is dropped and never taken for the next', async () => {
  const { link, clock } = linked('late');
  await link.open();
  const late = problemsOf(link.identify());
  await settle();
  await clock.advance(250);
  expect((await late)[0].what).toBe('The link "stand" did not answer "identify" within 250 ms.');
  // The reply to identify arrives first, then that to environment.
  expect(await link.environment()).toEqual({ ambient: 23.5, humidity: 0.4, supply: 24 });
});

test('words that are no frame end the link', async () => {
  const { link } = linked('garbage');
  await link.open();
  const [problem] = await problemsOf(link.identify());
  expect(problem.code).toBe('link/garbled');
  expect(problem.what).toBe('The link "stand" sent 0x48 where a frame begins with 0xb5.');
});

test('an adapter that ends is told with its status and its last words', async () => {
  const { link } = linked('exit');
  await link.open();
  const [problem] = await problemsOf(link.identify());
  expect(problem.code).toBe('link/closed');
  expect(problem.what).toContain(
    'it ended with status 3; its last words were: small adapter, exit',
  );
  expect(problem.what).toContain('the bus is gone / giving up');
  expect(await codesOf(link.makeSafe('off'))).toEqual(['link/closed']);
});

test('another serial after a new call is another instrument', async () => {
  const { link } = linked('identity');
  await link.open();
  await link.close();
  const [problem] = await problemsOf(link.open());
  expect(problem.code).toBe('link/identity');
  expect(problem.what).toMatch(
    /was tests Small adapter, serial \d+; now tests Small adapter, serial \d+ answers/u,
  );
});

test('a waveform that reads back 0.1 N·m more ends the link', async () => {
  const { link, lines } = linked('read-back');
  await link.open();
  await link.energize();
  const [problem] = await problemsOf(link.load(load(10)));
  expect(problem.code).toBe('link/read-back');
  await link.makeSafe('off');
  expect(lines).toContain('torque off: end of file');
});

test('a fault of the device itself is told as 14, with its number and its words', async () => {
  const { link } = linked('fault');
  await link.open();
  await link.energize();
  await link.load(load(10));
  await link.start();
  for (let i = 0; i < 3; i++) link.feed();
  await link.identify(); // the event comes before this reply
  expect(await link.report()).toMatchObject({ fault: 14, torqueEnabled: false });
  expect(link.complaint).toBe('the winding is hot (fault 77)');
});

test('power that was asked for right before a stop is not applied after it', async () => {
  const { link, lines } = linked('well');
  await link.open();
  const first = codesOf(link.identify());
  const second = codesOf(link.energize());
  await link.makeSafe('off');
  expect(await first).toEqual(['bench/permit-void']);
  expect(await second).toEqual(['bench/permit-void']);
  expect((await link.report()).torqueEnabled).toBe(false);
  expect(lines).not.toContain('torque on');
});

test('a stop does not wait for a shaft that turns', async () => {
  const { link, lines } = linked('turning');
  await link.open();
  await link.energize();
  const turning = codesOf(link.arrange({ smoothing: 0, fixture: 'coupled' }));
  await link.makeSafe('ramp');
  expect(await turning).toEqual(['bench/permit-void']);
  expect(lines).toContain('torque off: made safe');
});

test('two stops at once both end', async () => {
  const { link } = linked('well');
  await link.open();
  await link.energize();
  await Promise.all([link.makeSafe('ramp'), link.makeSafe('off')]);
  expect((await link.report()).torqueEnabled).toBe(false);
});

test('an adapter that does not answer a stop within 250 ms is hung up on, and that is told', async () => {
  const { link, clock, lines } = linked('no-stop');
  await link.open();
  await link.energize();
  const stop = codesOf(link.makeSafe('off'));
  await settle();
  await clock.advance(250);
  expect(await stop).toEqual(['link/silent']);
  await link.close();
  expect(lines).toContain('torque off: end of file');
  expect(await codesOf(link.makeSafe('off'))).toEqual(['link/silent']);
});

test('a refused take is told in the words of the adapter and does not count', async () => {
  const { link } = linked('no-arm');
  await link.open();
  const [problem] = await problemsOf(link.arm(TAKE));
  expect(problem.code).toBe('link/refused');
  expect(problem.what).toBe('The link "stand" refused: the store is full (adapter/busy).');
  expect((await link.identify()).serial).toBe('H12-0001');
});

test('a take that was given up counts as soon as the adapter says so; its blocks are not those of the next', async () => {
  const { link } = linked('slow-arm');
  await link.open();
  const given = codesOf(link.arm(TAKE));
  await settle();
  await link.makeSafe('ramp');
  expect(await given).toEqual(['bench/permit-void']);
  await link.arm(TAKE); // the second that the adapter counts
  expect(await blocksOf(link)).toHaveLength(5);
});

test('a take whose fate is unknown is not followed by another: the link has to be opened anew', async () => {
  const { link, clock } = linked('lost-arm');
  await link.open();
  const given = codesOf(link.arm(TAKE));
  await settle();
  await clock.advance(250);
  expect(await given).toEqual(['link/silent']);
  expect(await codesOf(link.arm(TAKE))).toEqual(['link/garbled']);
  await link.open();
});

test('safety lines that nobody told for 201 ms read as open', async () => {
  const { link, clock } = linked('quiet-lines');
  await link.open();
  expect(await link.read()).toMatchObject({ guard: 'closed', age: 0 });
  await clock.advance(200);
  expect(await link.read()).toMatchObject({ guard: 'closed', age: 0.2 });
  await clock.advance(1);
  expect(await link.read()).toMatchObject({
    ...{ guard: 'open', emergencyStop: 'pressed', presence: 'released' },
  });
});

test('nothing can be asked of a link that is not open, and closing it is no error', async () => {
  const { link } = linked('well');
  expect(await codesOf(link.identify())).toEqual(['link/closed']);
  expect(await codesOf(link.makeSafe('off'))).toEqual(['link/closed']);
  expect(await link.read()).toMatchObject({ guard: 'open' });
  link.feed();
  await link.close();
});

test('a link that was closed while power was on is off; making it safe then is no error', async () => {
  const { link, lines } = linked('well');
  await link.open();
  await link.energize();
  await link.close();
  await link.makeSafe('off');
  expect(lines.filter((line) => line.startsWith('torque'))).toHaveLength(1);
});

/** Lets what was written reach the other process; deadlines stand still meanwhile. */
async function settle(): Promise<void> {
  for (let i = 0; i < 50; i++) await new Promise((resolve) => setImmediate(resolve));
}
