import { type AdapterProcess, shown } from './conformance-adapter.js';
import {
  type CheckGround,
  type CheckResult,
  type ConformanceCheck,
  notApplicable,
  notOk,
  ok,
  sum,
} from './conformance-check.js';
import type { AdapterBlock } from './conformance-frame.js';
import { channelsOf, fastestRate } from './conformance-hello.js';
import {
  type Held,
  type Playing,
  called,
  channelOf,
  fixtureOf,
  heldWaveform,
  levelOf,
  loaded,
  mean,
  playing,
  powered,
  updatesOf,
} from './conformance-power.js';

/** s of the take without power. */
const QUIET = 1;
/** s of samples in a block at most. */
const BLOCK_SECONDS = 0.02;
/** s that the clock of a block may be off its last sample. */
const CLOCK_STEP = 1e-3;
/** Share of the rate that this computer may see otherwise, over so short a time. */
const RATE_OFF = 0.1;

/** Checks of samples. */
export const TAKE_CHECKS: readonly ConformanceCheck[] = [
  {
    name: 'samples',
    right: 'samples come in order, none lost, exactly as many as asked for, on a steady clock',
    fix: 'Count blocks and samples of each take from 0; send what the device gave and nothing else.',
    energizes: false,
    roles: ['digitizer'],
    look: lookAtSamples,
  },
  {
    name: 'odd-takes',
    right: 'a take at a rate that is not told, or of no samples, is refused',
    fix: 'Look at samples and rate_Hz before the device is armed.',
    energizes: false,
    roles: ['digitizer'],
    look: lookAtOddTakes,
  },
  {
    name: 'torque-follows',
    right: 'after a hold the torque has the sign of the command and its size within 20 %',
    fix: 'Check sign, scale and unit of torque and command; N·m, positive in one direction for both.',
    energizes: true,
    roles: ['drive', 'digitizer'],
    look: lookAtTorqueFollows,
  },
];

async function lookAtSamples(ground: CheckGround): Promise<CheckResult> {
  const { adapter, hello } = await called(ground);
  await adapter.grant('arrange', { fixture: fixtureOf(hello), angle_rad: 0 }, 10_000);
  const rate = fastestRate(hello);
  const samples = Math.round(QUIET * rate);
  await adapter.grant('arm', { samples, rate_Hz: rate, on: 'now' });
  const began = adapter.now();
  await adapter.until(() => adapter.event('end') !== undefined, 2000 * QUIET + 1000);
  const took = (adapter.now() - began) / 1000;
  adapter.assertSound();
  const channels = channelsOf(hello).length;
  return sum(
    [
      ...orderFaults(adapter.blocks, channels),
      ...countFaults(adapter, samples),
      ...clockFaults(adapter.blocks, rate),
      ...paceFaults(adapter, rate),
    ],
    `${samples} samples of ${channels} channels in ${adapter.blocks.length} blocks, ${took.toFixed(2)} s.`,
  );
}

async function lookAtOddTakes(ground: CheckGround): Promise<CheckResult> {
  const { adapter, hello } = await called(ground);
  const rate = fastestRate(hello);
  const odd = [
    { samples: 100, rate_Hz: 1.37 * rate, on: 'now' },
    { samples: 0, rate_Hz: rate, on: 'now' },
    { samples: 100, rate_Hz: rate, on: 'whenever' },
  ];
  const taken: string[] = [];
  for (const take of odd) {
    if ((await adapter.ask('arm', take))['ok'] === true) taken.push(JSON.stringify(take));
  }
  return sum(taken.length === 0 ? [] : [`Taken was ${taken.join(', ')}.`], 'All were refused.');
}

async function lookAtTorqueFollows(ground: CheckGround): Promise<CheckResult> {
  const channel = channelsOf(ground.hello).findIndex(({ name }) => name === 'torque');
  if (channel < 0 || fixtureOf(ground.hello) !== 'coupled') {
    return notApplicable('It has no channel "torque", or no coupled fixture.');
  }
  const on = await powered(ground);
  const level = levelOf(on.limits);
  const reply = await loaded(on, heldWaveform(holds(level), updatesOf(on.hello)));
  if (reply['ok'] !== true) return notOk(`The waveform was refused: ${shown(reply['what'])}.`);
  const total = holds(1).reduce((sum_, [, seconds]) => sum_ + seconds, 0);
  const play = await playing(on, total);
  await play.adapter.until(() => play.adapter.event('end') !== undefined, 1000 * total + 1000);
  play.stop();
  return followed(play, channelOf(play, channel));
}

/** s of each hold. */
const HOLD = 0.2;
const REST = 0.05;

/** Up, rest, down, with rests around. */
const holds = (level: number): readonly Held[] => [
  [0, REST],
  [level, HOLD],
  [0, REST],
  [-level, HOLD],
  [0, REST],
];

/** Share of the level that the torque may be off. */
const OFF = 0.2;

function followed(play: Playing, torque: Float64Array): CheckResult {
  const { level, rate, hello, zeroAt, adapter } = play;
  // Without a trigger the take began earlier than the waveform: by what this computer saw of it.
  const late =
    hello.digitizer['trigger'] === true
      ? 0
      : (adapter.now() - zeroAt) / 1000 - torque.length / rate;
  const at = (from: number, to: number): number =>
    mean(torque.subarray(Math.round((from + late) * rate), Math.round((to + late) * rate)));
  const zero = at(0, 0.6 * REST);
  const up = at(REST + 0.75 * HOLD, REST + 0.95 * HOLD) - zero;
  const down = at(2 * REST + 1.75 * HOLD, 2 * REST + 1.95 * HOLD) - zero;
  const words = `Held at +${level} and −${level} N·m, it measured ${up.toFixed(4)} and ${down.toFixed(4)} N·m.`;
  const isNear = (value: number, wanted: number): boolean =>
    Math.abs(value - wanted) <= OFF * level;
  return isNear(up, level) && isNear(down, -level) ? ok(words) : notOk(words);
}

function orderFaults(blocks: readonly AdapterBlock[], channels: number): readonly string[] {
  const faults: string[] = [];
  let due = 0;
  for (const [i, { block, start, frames, take, channels: told }] of blocks.entries()) {
    if (block !== i) faults.push(`Block ${block} came where block ${i} was due.`);
    if (start !== due) faults.push(`Sample ${start} came where sample ${due} was due.`);
    if (take !== 1) faults.push(`The first take is counted as ${take}.`);
    if (told !== channels) faults.push(`A block has ${told} channels; hello told ${channels}.`);
    if (faults.length > 0) return faults; // one lost block shifts all after it
    due = start + frames;
  }
  return faults;
}

function countFaults(adapter: AdapterProcess, samples: number): readonly string[] {
  const came = adapter.blocks.reduce((total, { frames }) => total + frames, 0);
  const end = adapter.event('end')?.message;
  const faults = came === samples ? [] : [`${came} of ${samples} samples came.`];
  if (end === undefined) return [...faults, 'No "end" was told.'];
  if (end['take'] === 1 && end['samples'] === samples) return faults;
  return [
    ...faults,
    `"end" tells take ${shown(end['take'])} with ${shown(end['samples'])} samples.`,
  ];
}

function clockFaults(blocks: readonly AdapterBlock[], rate: number): readonly string[] {
  const long = blocks.find(({ frames }) => frames / rate > BLOCK_SECONDS + 1e-9);
  const off = blocks.find(
    ({ start, frames, clock }) => !(Math.abs(clock - (start + frames) / rate) <= CLOCK_STEP),
  );
  return [
    ...(long === undefined ? [] : [`A block holds ${long.frames} samples, more than 20 ms.`]),
    ...(off === undefined
      ? []
      : [`After ${off.start + off.frames} samples at ${rate} Hz its clock says ${off.clock} s.`]),
  ];
}

/** The rate as this computer sees it: of blocks whose samples are counted, by when they came. */
function paceFaults({ blocks, blocksAt }: AdapterProcess, rate: number): readonly string[] {
  const [first, last] = [blocks[0], blocks.at(-1)];
  const seconds = ((blocksAt.at(-1) ?? 0) - (blocksAt[0] ?? 0)) / 1000;
  if (first === undefined || last === undefined) return ['No block came.'];
  const seen = (last.start + last.frames - first.start - first.frames) / seconds;
  if (Math.abs(seen / rate - 1) <= RATE_OFF) return [];
  return [`It tells ${rate} Hz; this computer sees ${Math.round(seen)} Hz.`];
}
