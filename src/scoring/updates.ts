import type { Capture, Take } from '../capture/capture.js';
import { compile } from '../pattern/waveform.js';
import { PATTERN_KINDS, type Stage } from '../procedure/procedure.js';
import { STATIC } from './dependence.js';
import { mean, standardDeviation } from './line.js';
import { channelsOf, measured, notEvaluated, shown, type NotEvaluated } from './reading.js';
import type { Characteristic, Outcome } from './scoring.js';

const missingUpdates: Characteristic = {
  id: 'missing-updates',
  name: 'missing updates',
  definition:
    'Number of command updates that were due and did not arrive, as the device counted them over all takes of the stage.',
  formula: 'Σ over takes of updates due and not received',
  shifts: 'load of the host and of the link rather than the item',
  dimension: 'count',
  unit: 'count',
  side: 'link',
  from: PATTERN_KINDS,
  power: 'on',
  takes: 1,
  gates: STATIC,
  options: {},
  source: 'common practice, no source',
  check: 'tests/unit/updates.test.ts',
  score: (capture) => measured(capture.takes.reduce((sum, take) => sum + take.device.missing, 0)),
};

/** The greatest of what the device reports of its takes, s, or why that cannot be. */
function greatest(capture: Capture, what: 'gap' | 'jitter'): Outcome {
  const values = capture.takes.flatMap(({ device }) => device[what] ?? []);
  if (values.length < capture.takes.length) {
    return notEvaluated(`The device does not report the ${what} of its updates.`);
  }
  const odd = values.find((value) => !(value >= 0));
  if (odd !== undefined) {
    return notEvaluated(`The device reports ${shown(odd)} s; a time of 0 s or more is right.`);
  }
  return measured(Math.max(...values));
}

const updateGap: Characteristic = {
  ...missingUpdates,
  id: 'update-gap',
  name: 'longest gap between updates',
  definition:
    'Longest time between two command updates in any take of the stage, as the device measured it.',
  formula: 'max (t(k + 1) − t(k)), t(k) the instant of update k',
  dimension: 'time',
  unit: 'ms',
  score: (capture) => greatest(capture, 'gap'),
};

const updateJitter: Characteristic = {
  ...missingUpdates,
  id: 'update-jitter',
  name: 'jitter of the updates',
  definition:
    'Standard deviation of the time between two command updates, as the device measured it, the greatest of the takes of the stage.',
  formula: 'sd (t(k + 1) − t(k)), t(k) the instant of update k',
  dimension: 'time',
  unit: 'ms',
  score: (capture) => greatest(capture, 'jitter'),
};

/** N·m: change of the command from one update to the next that a converter tells from none. */
const TOLD = 0.005;
/** Fewest updates with such a change; fewer say nothing of how the others came. */
const FEWEST = 20;
/** Updates by which all channels may be late alike: the converter takes its time. */
const CONVERTER = 2;

const lateUpdates: Characteristic = {
  ...missingUpdates,
  id: 'late-updates',
  name: 'late updates',
  definition:
    'Number of command updates, over all takes of the stage, that were not latched yet in the middle of their time, half an update period after they were due; one that never came counts too.',
  formula:
    'Σ over k of [ |u(t(k) + T/2) − u(k − 1)| < |u(t(k) + T/2) − u(k)| ], T the update period',
  shifts:
    'load of the host and of the link rather than the item; updates that change the command by less than 5 mN·m are not seen',
  from: PATTERN_KINDS.filter(
    (kind) => kind !== 'hold' && kind !== 'silence' && kind !== 'virtual-spring',
  ),
  score: (capture, stage) => {
    let late = 0;
    for (const take of capture.takes) {
      const found = lateIn(take, stage);
      if (typeof found !== 'number') return found;
      late += found;
    }
    return measured(late);
  },
};

/** Counts late updates of one take, after the delay that all its updates share. */
function lateIn(take: Take, stage: Stage): number | NotEvaluated {
  const channels = channelsOf(take, ['command']);
  if ('reason' in channels) return channels;
  const { command } = channels;
  const { command: plan, rate } = compile(stage.pattern, stage.updates);
  const changes = [...plan.keys()].filter(
    (k) => k > 0 && Math.abs((plan[k] as number) - (plan[k - 1] as number)) >= TOLD,
  );
  if (changes.length < FEWEST) {
    const found = `${changes.length} of ${plan.length} updates change the command`;
    return notEvaluated(`Late updates are seen by what they change: only ${found}.`);
  }
  // Updates are placed by the clock of the device, samples by that of the digitizer.
  const period = take.rate / (rate * (1 + (take.clock?.skew ?? 0)));
  const lateWith = (delay: number): number =>
    changes.filter((k) => {
      const seen = command[Math.floor((k + 0.5) * period) + delay] ?? 0;
      const [before, due] = [plan[k - 1] as number, plan[k] as number];
      return Math.abs(seen - before) < Math.abs(seen - due);
    }).length;
  // All channels are late alike: by half a period more than where half of the updates are latched.
  const half = Math.round(period / 2);
  const most = Math.ceil(CONVERTER * period);
  for (let delay = -half - 1; delay <= most; delay++) {
    if (2 * lateWith(delay) <= changes.length) return lateWith(delay + half);
  }
  return notEvaluated('The command does not follow the pattern.');
}

const clockSkew: Characteristic = {
  ...missingUpdates,
  id: 'clock-skew',
  name: 'skew of the device clock',
  definition:
    'Slope, less 1, of the least-squares line of device time over sample time, mean over the takes of the stage; positive for a device clock that runs fast.',
  formula: 'k − 1 of the least-squares line t(device) = k · t(samples) + c',
  shifts: 'temperature of either quartz; a step in either clock; a take too short for its blocks',
  dimension: 'ratio',
  unit: 'ppm',
  power: 'either',
  score: (capture) => {
    const skews = capture.takes.flatMap((take) => take.clock?.skew ?? []);
    if (skews.length < capture.takes.length) {
      return notEvaluated('A take has fewer than 3 blocks, too few for a line through its clock.');
    }
    if (skews.length === 1) return measured(mean(skews));
    return measured(mean(skews), { spread: standardDeviation(skews), repeats: skews.length });
  },
};

/** Characteristics of the link that brings the updates, and of its clock. */
export const UPDATES: readonly Characteristic[] = [
  missingUpdates,
  lateUpdates,
  updateGap,
  updateJitter,
  clockSkew,
];
