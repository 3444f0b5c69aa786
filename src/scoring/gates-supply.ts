import type { Capture, Screened, Take } from '../capture/capture.js';
import { doubt, gateOf, type Finding } from '../capture/gate.js';
import { mean } from './line.js';
import { channelsOf, option, shown } from './reading.js';
import type { GateRule } from './scoring.js';

const OPTIONS = {
  least: { dimension: 'voltage', default: 45 },
  window: { dimension: 'time', default: 0.001 },
} as const;

const supplyHeld: GateRule = {
  id: 'supply-held',
  name: 'supply held',
  definition:
    'Least mean of the bus voltage over the window while the item takes its current; where the stand supplies the item, a supply that gives way is the fault of the stand.',
  blames: 'stand',
  concern: 'stand',
  sense: 'at-least',
  reach: 'stage',
  stops: false,
  from: ['step', 'hold', 'sine', 'triangle', 'staircase', 'recorded'],
  power: 'on',
  options: OPTIONS,
  source: 'common practice, no source',
  judge: (capture, stage, options) => gateOf(supplyHeld, stage.id, judge(capture, options)),
};

function judge(capture: Screened<Capture>, options: Readonly<Record<string, number>>): Finding {
  const allowed = option(options, OPTIONS, 'least');
  let observed = Infinity;
  for (const take of capture.takes) {
    const least = leastMean(take, option(options, OPTIONS, 'window'));
    if (typeof least === 'string') return doubt(allowed, 'V', least);
    observed = Math.min(observed, least);
  }
  return {
    holds: observed >= allowed,
    observed,
    allowed,
    unit: 'V',
    evidence: `The supply went down to ${shown(observed)} V, at least ${shown(allowed)} V is needed.`,
  };
}

function leastMean(take: Take, window: number): number | string {
  const channels = channelsOf(take, ['supply']);
  if ('reason' in channels) return channels.reason;
  const length = Math.max(1, Math.round(window * take.rate));
  const count = Math.floor(channels.supply.length / length);
  if (count < 1) return 'the take is shorter than the window.';
  let least = Infinity;
  for (let k = 0; k < count; k++) {
    least = Math.min(least, mean(channels.supply, k * length, (k + 1) * length));
  }
  return least;
}

/** Gates on what supplies the item. */
export const SUPPLY_GATES: readonly GateRule[] = [supplyHeld];
