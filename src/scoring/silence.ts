import type { Capture, Take } from '../capture/capture.js';
import type { Stage } from '../procedure/procedure.js';
import { mean, standardDeviation } from './line.js';
import {
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  shown,
  type NotEvaluated,
  type Stretch,
} from './reading.js';
import type { Characteristic, Context } from './scoring.js';

const OPTIONS = { share: { dimension: 'ratio', default: 0.05 } } as const;
/** s: torque is averaged over this long around each sample, which delays nothing. */
const WINDOW = 0.5e-3;
/** Share of the level that must have been held before the silence. */
const HELD = 0.5;

/** How a take ended its torque: s after the last update, or that it had not when updates returned. */
interface Reaction {
  readonly time: number;
  readonly ended: boolean;
}

/** Reads one take: time from the last update until the torque has left for good. */
function reactionOf(
  take: Take,
  stage: Stage,
  part: Stretch<'silence'>,
  share: number,
  context: Context,
): Reaction | NotEvaluated {
  const channels = channelsOf(take, ['command', 'current']);
  if ('kind' in channels) return channels;
  if (take.device.missing > 0) {
    return notEvaluated(
      `${take.device.missing} updates were lost besides: which was the last one is not known.`,
    );
  }
  const { command, current } = channels;
  const { level, before, silent } = part.pattern;
  const earliest = Math.max(0, Math.round((part.from - 1e-3) * take.rate));
  const start = command.findIndex((u, i) => i >= earliest && Math.abs(u) > Math.abs(level) / 2);
  if (start < 0) return notEvaluated('The command never reaches the level of the silence.');
  if (start === earliest) {
    return notEvaluated('The level must begin with a step, so that its updates can be counted.');
  }
  // Updates are counted by the clock of the device, samples by that of the digitizer.
  const perSecond = take.rate / (1 + (take.clock?.skew ?? 0));
  const updates = Math.round(before * stage.updates);
  if (updates < 1) return notEvaluated('No update comes before the silence.');
  const last = start + ((updates - 1) / stage.updates) * perSecond;
  const end = Math.min(current.length, Math.floor(start + (before + silent) * perSecond));
  const toTorque = context.torqueConstant.value;
  const held =
    toTorque * mean(current, Math.round(last - 0.2 * before * take.rate), Math.floor(last));
  if (!(Math.abs(held) >= HELD * Math.abs(level))) {
    const found = `${shown(held)} N·m of ${shown(level)} N·m`;
    return notEvaluated(`Only ${found} were there before the silence: nothing to lose.`);
  }
  const half = Math.round((WINDOW * take.rate) / 2);
  const torqueAt = (i: number): number =>
    toTorque * Math.abs(mean(current, i - half, i + half + 1));
  const threshold = share * Math.abs(held);
  let i = end - half - 1;
  if (torqueAt(i) >= threshold) return { time: silent + 1 / stage.updates, ended: false };
  while (i > last && torqueAt(i - 1) < threshold) i -= 1;
  const [above, below] = [torqueAt(i - 1), torqueAt(i)];
  const place = i - 1 + (above - threshold) / (above - below);
  // The torque of an update comes later than the update by the delay of its channel.
  return { time: (place - last) / take.rate - context.stand.currentDelay, ended: true };
}

const reaction: Characteristic = {
  id: 'command-loss-reaction',
  name: 'reaction to loss of commands',
  definition:
    'Time from the last update before the source falls silent until the torque from the motor current stays below the share of the torque held before, for the rest of the silence; of several takes the slowest.',
  formula: 't = t(|τ_i| < share · |τ_held| from there on) − t(last update)',
  shifts:
    'rate of updates (the last one comes one period before the silence); noise of the current sensor at low levels',
  gates: ['timing'],
  dimension: 'time',
  unit: 'ms',
  side: 'motor',
  from: ['silence'],
  power: 'on',
  takes: 1,
  options: OPTIONS,
  source: 'common practice, no source',
  check: 'tests/unit/silence.test.ts',
  score: (capture: Capture, stage, reading, context) => {
    const part = lastPart(stage.pattern, 'silence');
    if (part === undefined) return notEvaluated('The stage holds no silence.');
    if (part.pattern.level === 0) return notEvaluated('The silence begins at zero torque.');
    const share = option(reading.options, OPTIONS, 'share');
    const times: number[] = [];
    for (const take of capture.takes) {
      const found = reactionOf(take, stage, part, share, context);
      if ('kind' in found) return found;
      // The slowest counts, and one that never came is slower than all: the silence tells how much.
      if (!found.ended) return measured(found.time, { bound: 'at-least' });
      times.push(found.time);
    }
    if (times.length === 1) return measured(mean(times));
    return measured(Math.max(...times), {
      spread: standardDeviation(times),
      repeats: times.length,
    });
  },
};

/** Characteristics that are read off a silence of the source. */
export const SILENCE: readonly Characteristic[] = [reaction];
