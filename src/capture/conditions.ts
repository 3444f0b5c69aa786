import { BLOCK_SECONDS, CHANNELS, OPTIONAL_CHANNELS } from '../bench/bench.js';
import type { Channel } from '../bench/bench.js';
import type { ClockFit, Take } from './capture.js';
import type { Blame, Concern } from './gate.js';
import type { Suspects, Tally } from './suspects.js';

/** What a capture must be measured against. */
export interface Expectations {
  /** ± range of the torque converter, N·m. */
  readonly torqueRange: number;
  /** ± range of the current converter, A. */
  readonly currentRange: number;
  /** Updates a second; the device clock is taken to count them, so one update is its resolution. */
  readonly updates: number;
  /** Bus voltage without power, V: given for stages without power. */
  readonly idleSupply?: { readonly from: number; readonly to: number };
  /** Whether a safety line opened as it was to: the device must have taken its torque away then. */
  readonly isStopProof?: boolean;
}

/** Device clock against sample clock, as a share of one. Source: own choice for the H12 stand. */
const LARGEST_SKEW = 200e-6;
/** Standstill of a live channel that counts as a drop-out, s. */
export const STANDSTILL = 1e-3;
/** Distance of the device clock from a straight line, in its resolutions. */
const STEADY = 2;

/** Channels that always carry noise. Command and winding may rest on one value. */
export const LIVE = ['torque', 'current', 'supply'] as const satisfies readonly Channel[];
export type Live = (typeof LIVE)[number];

/** A take with its name for people and what looks wrong in its live channels. */
export interface Seen {
  readonly take: Take;
  readonly name: string;
  readonly suspects: readonly (readonly [Live, Suspects])[];
}

/** A gate before it is judged. */
export interface Found {
  readonly id: string;
  readonly name: string;
  readonly concern: Concern;
  readonly observed: number;
  readonly allowed: number;
  readonly unit: string;
  readonly blames: Blame;
  readonly evidence: string;
}

/** The member for which `measure` is largest; NaN counts as larger than anything. */
function worst<T>(list: readonly T[], measure: (member: T) => number): T | undefined {
  return list.reduce<T | undefined>((a, b) => {
    if (a === undefined || Number.isNaN(measure(b))) return b;
    return measure(b) > measure(a) ? b : a;
  }, undefined);
}

function sum(numbers: readonly number[]): number {
  return numbers.reduce((total, number) => total + number, 0);
}

function lostSamples(take: Take): number {
  const lengths = CHANNELS.map((channel) => take.channels[channel]?.length ?? take.expected);
  const shortest = Math.min(take.expected, ...lengths);
  return sum(take.gaps.map((gap) => gap.samples)) + take.expected - shortest;
}

export function samplesComplete(takes: readonly Seen[]): Found {
  const observed = sum(takes.map(({ take }) => lostSamples(take)));
  const all = sum(takes.map(({ take }) => take.expected));
  const seen = worst(takes, ({ take }) => lostSamples(take));
  const first = seen?.take.gaps[0];
  const where =
    first === undefined ? '' : `, the first gap at sample ${first.at} of ${seen?.name ?? ''}`;
  return {
    id: 'samples-complete',
    name: 'samples complete',
    concern: 'capture',
    observed,
    allowed: 0,
    unit: 'samples',
    blames: 'link',
    evidence:
      observed === 0
        ? `All ${all} samples arrived.`
        : `${observed} of ${all} samples did not arrive${where}.`,
  };
}

/** The last block may run over the end of the take, by less than a block. */
export function samplesInOrder(takes: readonly Seen[]): Found {
  const seen = worst(takes, ({ take }) => take.misplaced ?? 0);
  const observed = seen?.take.misplaced ?? 0;
  const allowed = Math.max(0, Math.ceil(BLOCK_SECONDS * (seen?.take.rate ?? 0)) - 1);
  const where = `${observed} samples came twice, late or after the end`;
  return {
    id: 'samples-in-order',
    name: 'samples in order',
    concern: 'capture',
    observed,
    allowed,
    unit: 'samples',
    blames: 'link',
    evidence:
      observed === 0
        ? 'Every block followed on the one before.'
        : `${where} in ${seen?.name ?? ''}; ${allowed} are allowed.`,
  };
}

export function channelsPresent(takes: readonly Seen[]): Found {
  const missing = CHANNELS.filter(
    (channel) =>
      !OPTIONAL_CHANNELS.includes(channel) &&
      takes.some(({ take }) => take.channels[channel] === undefined),
  );
  return {
    id: 'channels-present',
    name: 'channels present',
    concern: 'capture',
    observed: missing.length,
    allowed: 0,
    unit: 'channels',
    blames: 'stand',
    evidence:
      missing.length === 0
        ? 'All channels that every bench has brought samples.'
        : `No samples came from ${missing.join(', ')}.`,
  };
}

/** Samples that are NaN or infinite though they arrived. */
function strangeSamples(take: Take, channel: Channel): number {
  const samples = take.channels[channel];
  if (samples === undefined) return 0;
  let strange = 0;
  for (const value of samples) if (!Number.isFinite(value)) strange += 1;
  return strange - sum(take.gaps.map((gap) => gap.samples));
}

export function valuesFinite(takes: readonly Seen[]): Found {
  const all = takes.flatMap(({ take, name }) =>
    CHANNELS.map((channel) => ({ name, channel, count: strangeSamples(take, channel) })),
  );
  const seen = worst(all, ({ count }) => count);
  const observed = Math.max(0, seen?.count ?? 0);
  return {
    id: 'values-finite',
    name: 'values finite',
    concern: 'sensor',
    observed,
    allowed: 0,
    unit: 'samples',
    blames: 'stand',
    evidence:
      observed === 0
        ? 'Every sample that arrived is a finite number.'
        : `${observed} samples of ${seen?.channel ?? ''} are no finite number in ${seen?.name ?? ''}.`,
  };
}

export function channelsAlive(takes: readonly Seen[]): Found {
  const dead = takes.flatMap(({ name, suspects }) =>
    suspects
      .filter(([, found]) => found.constant)
      .map(([channel]) => `${channel} stands on one value in ${name}`),
  );
  return {
    id: 'channels-alive',
    name: 'channels alive',
    concern: 'sensor',
    observed: dead.length,
    allowed: 0,
    unit: 'channels',
    blames: 'stand',
    evidence: dead.length === 0 ? `${LIVE.join(', ')} all move.` : `${dead.join('; ')}.`,
  };
}

/** The worst tally of one kind over takes and channels, with a phrase that says where. */
function worstTally(
  takes: readonly Seen[],
  kind: 'clipped' | 'dropped',
): { readonly observed: number; readonly place: string } {
  const all = takes.flatMap(({ take, name, suspects }) =>
    suspects.map(([channel, found]) => ({ channel, name, rate: take.rate, tally: found[kind] })),
  );
  const seen = worst<{ channel: Live; name: string; rate: number; tally: Tally }>(
    all,
    ({ tally }) => tally.samples,
  );
  if (seen === undefined) return { observed: 0, place: '' };
  const at = (seen.tally.first / seen.rate).toFixed(4);
  return {
    observed: seen.tally.samples,
    place: `${seen.channel} in ${seen.name}, the first at ${at} s`,
  };
}

export function converterClip(takes: readonly Seen[]): Found {
  const { observed, place } = worstTally(takes, 'clipped');
  return {
    id: 'converter-clip',
    name: 'converter clip',
    concern: 'sensor',
    observed,
    allowed: 0,
    unit: 'samples',
    blames: 'stand',
    evidence:
      observed === 0
        ? 'Torque and current stay inside their converters.'
        : `${observed} samples at the end of the converter or flat at the top: ${place}.`,
  };
}

export function dropOuts(takes: readonly Seen[]): Found {
  const { observed, place } = worstTally(takes, 'dropped');
  return {
    id: 'drop-outs',
    name: 'drop-outs',
    concern: 'sensor',
    observed,
    allowed: 0,
    unit: 'samples',
    blames: 'stand',
    evidence:
      observed === 0
        ? `${LIVE.join(', ')} never stand still for ${STANDSTILL * 1e3} ms or jump to zero.`
        : `${observed} samples stand still or jump to zero: ${place}.`,
  };
}

/** Without a line over blocks, the end of the take alone tells the rate. */
function clockOf(take: Take): ClockFit {
  const skew = (take.device.time * take.rate) / take.expected - 1;
  return take.clock ?? { skew, departure: 0 };
}

/**
 * A take of duration T tells the rate of a clock with resolution r no better than r/T, so that much
 * is allowed on top: the longer stages of a run are the ones that find a wrong clock.
 */
export function clockRate(takes: readonly Seen[], { updates }: Expectations): Found {
  const judged = takes.map(({ take, name }) => ({
    name,
    observed: Math.abs(clockOf(take).skew) * 1e6,
    allowed: (LARGEST_SKEW + take.rate / updates / take.expected) * 1e6,
  }));
  const seen = worst(judged, ({ observed, allowed }) => observed / allowed);
  const { observed, allowed } = seen ?? { observed: NaN, allowed: 0 };
  return {
    id: 'clock-rate',
    name: 'clock rate',
    concern: 'clock',
    observed,
    allowed,
    unit: 'ppm',
    blames: 'stand',
    evidence:
      `The clocks of device and stand differ by ${observed.toFixed(0)} ppm in ${seen?.name ?? ''}; ` +
      `${allowed.toFixed(0)} ppm are allowed, of which ${LARGEST_SKEW * 1e6} for the clocks and the ` +
      `rest for reading a clock of ${(1e3 / updates).toFixed(1)} ms over a take this long.`,
  };
}

export function clockSteady(takes: readonly Seen[], { updates }: Expectations): Found {
  const seen = worst(takes, ({ take }) => clockOf(take).departure);
  const observed = seen === undefined ? NaN : clockOf(seen.take).departure * 1e3;
  const allowed = (STEADY / updates) * 1e3;
  return {
    id: 'clock-steady',
    name: 'clock steady',
    concern: 'clock',
    observed,
    allowed,
    unit: 'ms',
    blames: 'stand',
    evidence:
      `Device time leaves its straight line by ${observed.toFixed(2)} ms in ${seen?.name ?? ''}; ` +
      `${allowed.toFixed(2)} ms are allowed.`,
  };
}

export function deviceFault(
  takes: readonly Seen[],
  { isStopProof }: Pick<Expectations, 'isStopProof'> = {},
): Found {
  const isMeant = (take: Take): boolean => isStopProof === true && take.opened !== undefined;
  const seen = takes.find(({ take }) => take.device.fault !== 0 && !isMeant(take));
  const observed = seen?.take.device.fault ?? 0;
  return {
    id: 'device-fault',
    name: 'device fault',
    concern: 'capture',
    observed: Math.abs(observed),
    allowed: 0,
    unit: 'code',
    blames: 'item',
    evidence:
      seen === undefined
        ? 'The device reports no fault.'
        : `The device reports fault ${observed} in ${seen.name}.`,
  };
}

export function updatesLost(takes: readonly Seen[]): Found {
  const counts = takes.flatMap(({ take }) => take.device.linkLost ?? []);
  const linkLoss = counts.length === 0 ? undefined : sum(counts);
  const missing = sum(takes.map(({ take }) => take.device.missing));
  const received = sum(takes.map(({ take }) => take.device.updates));
  const device = `The device missed ${missing} updates and latched ${received}`;
  return {
    id: 'updates-lost',
    name: 'updates lost by the link',
    concern: 'stimulus',
    observed: linkLoss ?? 0,
    allowed: 0,
    unit: 'updates',
    blames: 'link',
    evidence:
      linkLoss === undefined
        ? `${device}; the link keeps no count of its own.`
        : `${device}; the link says it lost ${linkLoss}.`,
  };
}
