import type { Capture, Screened, Take } from '../capture/capture.js';
import { doubt, gateOf, type Finding } from '../capture/gate.js';
import { fitLine, mean, standardDeviation } from './line.js';
import { channelsOf, option, shown } from './reading.js';
import type { Context, GateRule } from './scoring.js';
import { LEAD_IN } from './steady.js';

const SHARED = {
  blames: 'operator',
  sense: 'at-most',
  reach: 'run',
  stops: true,
  from: ['hold'],
  power: 'off',
  source: 'common practice, no source',
} as const;

const HAND = {
  allowed: { dimension: 'torque', default: 0.002 },
  /** N·m/min of drift that is the stand's own and not a hand's. */
  drift: { dimension: 'drift', default: 0.06 },
} as const;
/** s: such means hold whole periods of 50 Hz and of 60 Hz. */
const SLOW = 0.1;
/** Standard deviations of such a mean that noise alone may make of the scatter. */
const NOISE_SHARE = 3;

const steadyHand: GateRule = {
  ...SHARED,
  id: 'steady-hand',
  name: 'hands off',
  definition:
    'Standard deviation of the means over 0.1 s of the torque without power, a drift of the stand taken out, compared with the allowance or with three times what the noise of single samples explains, whichever is more.',
  concern: 'environment',
  options: HAND,
  judge: (capture, stage, options) => gateOf(steadyHand, stage.id, judgeHand(capture, options)),
};

interface Wander {
  readonly fixture: string;
  /** N·m */
  readonly slow: number;
  readonly allowed: number;
}

function judgeHand(capture: Screened<Capture>, options: Readonly<Record<string, number>>): Finding {
  const least = option(options, HAND, 'allowed');
  const drift = option(options, HAND, 'drift') / 60;
  const found: Wander[] = [];
  for (const take of capture.takes) {
    const { fixture } = take.settings;
    if (fixture !== 'coupled' && fixture !== 'uncoupled') continue;
    const wander = wanderOf(take, drift);
    if (typeof wander === 'string') return doubt(least * 1000, 'mN·m', wander);
    found.push({ fixture, slow: wander.slow, allowed: Math.max(least, wander.explained) });
  }
  const [first, ...others] = found;
  if (first === undefined) {
    return doubt(least * 1000, 'mN·m', 'no take shows a coupled or uncoupled zero.');
  }
  const worst = others.reduce((a, b) => (b.slow / b.allowed > a.slow / a.allowed ? b : a), first);
  const [observed, allowed] = [worst.slow * 1000, worst.allowed * 1000];
  const seen = `The ${worst.fixture} zero wanders by ${shown(observed)} mN·m (standard deviation of means over 0.1 s), ${shown(allowed)} allowed.`;
  const holds = observed <= allowed;
  const advice = ' A hand or a cable on the wheel does this: let go of it.';
  return { holds, observed, allowed, unit: 'mN·m', evidence: holds ? seen : seen + advice };
}

/** Scatter of slow means about the drift, and how much of it fast noise explains, N·m. */
function wanderOf(
  take: Take,
  drift: number,
): { readonly slow: number; readonly explained: number } | string {
  const channels = channelsOf(take, ['torque']);
  if ('reason' in channels) return channels.reason;
  const { torque } = channels;
  const length = Math.round(SLOW * take.rate);
  const first = Math.round(LEAD_IN * take.rate);
  const count = Math.floor((torque.length - first) / length);
  if (count < 8) return `The ${take.settings.fixture} take is shorter than 0.9 s.`;
  const starts = Array.from({ length: count }, (_, k) => first + k * length);
  const means = starts.map((at) => mean(torque, at, at + length));
  const noise = mean(starts.map((at) => standardDeviation(torque, at, at + length) ** 2));
  const times = starts.map((at) => at / take.rate);
  const slope = fitLine('least-squares', times, means)?.slope ?? 0;
  const taken = Math.max(-drift, Math.min(drift, slope));
  const rest = means.map((value, k) => value - taken * (times[k] as number));
  return { slow: standardDeviation(rest), explained: NOISE_SHARE * Math.sqrt(noise / length) };
}

const COOL = { allowed: { dimension: 'temperature difference', default: 10 } } as const;
/** °C: where a test room is taken to be when nobody read its temperature. */
const ROOM = { from: 18, to: 28 } as const;

const itemCool: GateRule = {
  ...SHARED,
  id: 'item-cool',
  name: 'item at room temperature',
  definition:
    'Distance of the mean winding temperature from the temperature at the bench when the run began, or from 18 °C to 28 °C where that was not read.',
  concern: 'environment',
  options: COOL,
  judge: (capture, stage, options, context) =>
    gateOf(itemCool, stage.id, judgeCool(capture, option(options, COOL, 'allowed'), context)),
};

function judgeCool(
  capture: Screened<Capture>,
  allowed: number,
  { ambient }: Pick<Context, 'ambient'>,
): Finding {
  const channels = channelsOf(capture.takes[0], ['winding']);
  if ('reason' in channels) return doubt(allowed, 'K', channels.reason);
  const winding = mean(channels.winding);
  const room = ambient ?? Math.min(ROOM.to, Math.max(ROOM.from, winding));
  const place = ambient === undefined ? `${ROOM.from} °C to ${ROOM.to} °C` : `${shown(ambient)} °C`;
  const observed = Math.abs(winding - room);
  const holds = observed <= allowed;
  const seen = `The winding is at ${shown(winding)} °C, the room at ${place}: ${shown(observed)} K apart, ${shown(allowed)} K allowed.`;
  const advice = winding > room ? ' Let the item cool down.' : ' Let the item warm up to the room.';
  return { holds, observed, allowed, unit: 'K', evidence: holds ? seen : seen + advice };
}

/** Gates on how an item and its surroundings are before power is applied. */
export const START_GATES: readonly GateRule[] = [steadyHand, itemCool];
