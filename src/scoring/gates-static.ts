import type { Capture, Screened, Take } from '../capture/capture.js';
import { doubt, gateOf, type Blame, type Finding, type Gate } from '../capture/gate.js';
import { fitLine, mean, standardDeviation } from './line.js';
import { channelsOf, lastPart, option, shown } from './reading.js';
import type { Context, GateRule } from './scoring.js';
import { LEAD_IN, fixtureMean, holdMeans } from './steady.js';

const SHUNT_OPTIONS = {
  allowance: { dimension: 'ratio', default: 0.0015 },
  noise: { dimension: 'torque', default: 0.002 },
} as const;

/** Checks the bridge chain by the torque that the shunt resistor imitates. */
const shunt: GateRule = {
  id: 'shunt',
  name: 'shunt check',
  definition:
    'The step of the torque reading when the shunt resistor is switched in, both ways round where the bench can, is what the description of the bench says, within the allowance and the noise of two readings.',
  blames: 'stand',
  concern: 'sensor',
  sense: 'at-most',
  reach: 'run',
  stops: true,
  from: ['hold'],
  power: 'off',
  options: SHUNT_OPTIONS,
  source: 'common practice, no source; it proves amplifier and wiring, not the calibration',
  judge: (capture, stage, options, context) =>
    gateOf(shunt, stage.id, judgeShunt(capture, options, context)),
};

type ShuntFixture = 'shunt' | 'shunt-negative';

/** Each way round by itself; the one that is further off stands for both. */
function judgeShunt(
  capture: Screened<Capture>,
  options: Readonly<Record<string, number>>,
  context: Context,
): Finding {
  const allowed =
    option(options, SHUNT_OPTIONS, 'allowance') * Math.abs(context.shunt) +
    option(options, SHUNT_OPTIONS, 'noise');
  const positive = judgePolarity(capture, 'shunt', context.shunt, allowed);
  if (context.shuntPolarity !== 'both') return positive;
  const negative = judgePolarity(capture, 'shunt-negative', -context.shunt, allowed);
  const evidence = `${positive.evidence} The other way round: ${negative.evidence}`;
  const isWorse = (a: Finding, b: Finding): boolean =>
    a.holds === b.holds ? Math.abs(a.observed) > Math.abs(b.observed) : !a.holds;
  return { ...(isWorse(negative, positive) ? negative : positive), evidence };
}

/** @param imitated - N·m that the shunt should add. */
function judgePolarity(
  capture: Screened<Capture>,
  fixture: ShuntFixture,
  imitated: number,
  allowed: number,
): Finding {
  const reading = fixtureMean(capture, fixture);
  const uncoupled = fixtureMean(capture, 'uncoupled');
  const without = typeof uncoupled === 'number' ? uncoupled : fixtureMean(capture, 'coupled');
  if (typeof reading !== 'number') return doubt(allowed, 'N·m', reading.reason);
  if (typeof without !== 'number') return doubt(allowed, 'N·m', without.reason);
  const step = reading - without;
  const observed = step - imitated;
  const expected = `expected ${shown(imitated)} ± ${shown(allowed)} N·m`;
  const elsewhere =
    Math.abs(step) < 0.5 * Math.abs(imitated) ? shuntElsewhere(capture, fixture) : undefined;
  const left = Math.abs(step) < allowed ? ' The shunt may have been left on.' : '';
  const hint =
    elsewhere === undefined
      ? left
      : ` It shows on the channel ${elsewhere} instead: two plugs are exchanged.`;
  return {
    holds: Math.abs(observed) <= allowed,
    observed,
    allowed,
    unit: 'N·m',
    evidence: `The shunt moved the reading by ${shown(step)} N·m, ${expected}.${hint}`,
  };
}

/** Standard deviations by which another channel moves with the shunt when it is the one that has it. Own choice. */
const MOVED = 20;

/** The other channel that moves when the shunt is switched in. */
function shuntElsewhere(capture: Screened<Capture>, shunted: ShuntFixture): string | undefined {
  const takeOf = (fixture: string): Take | undefined =>
    capture.takes.find((take) => take.settings.fixture === fixture);
  const [on, off] = [takeOf(shunted), takeOf('uncoupled') ?? takeOf('coupled')];
  return (['current', 'supply', 'winding'] as const).find((channel) => {
    const [with_, without] = [on?.channels[channel], off?.channels[channel]];
    if (with_ === undefined || without === undefined) return false;
    const moved = Math.abs(mean(with_) - mean(without));
    return moved > MOVED * Math.max(standardDeviation(with_), standardDeviation(without));
  });
}

const ZERO_OPTIONS = { allowance: { dimension: 'torque', default: 0.005 } } as const;
/** Means over 0.1 s hold whole periods of 50 Hz and of 60 Hz: hum has a gate of its own. */
const SLOW = 0.1;

const zeroNoise: GateRule = {
  id: 'zero-noise',
  name: 'quiet zero',
  definition:
    'Without power, means of the torque over 0.1 s scatter by no more than the allowance in every take; a hand on the item moves them.',
  blames: 'operator',
  concern: 'sensor',
  sense: 'at-most',
  reach: 'run',
  stops: true,
  from: ['hold'],
  power: 'off',
  options: ZERO_OPTIONS,
  source: 'common practice, no source',
  judge: (capture, stage, options) => gateOf(zeroNoise, stage.id, judgeZeroNoise(capture, options)),
};

function judgeZeroNoise(
  capture: Screened<Capture>,
  options: Readonly<Record<string, number>>,
): Finding {
  const allowed = option(options, ZERO_OPTIONS, 'allowance');
  let observed = 0;
  let fixture = '';
  for (const take of capture.takes) {
    const slow = slowScatter(take);
    if (typeof slow === 'string') return doubt(allowed, 'N·m', slow);
    if (slow < observed) continue;
    observed = slow;
    fixture = take.settings.fixture;
  }
  const holds = observed <= allowed;
  const found = `The ${fixture} zero moves by ${shown(observed * 1000)} mN·m (standard deviation), allowed ${shown(allowed * 1000)}.`;
  const evidence = holds ? found : `${found} Is an item or a person touching the shaft?`;
  return { holds, observed, allowed, unit: 'N·m', evidence };
}

function slowScatter(take: Take): number | string {
  const channels = channelsOf(take, ['torque']);
  if ('reason' in channels) return channels.reason;
  const length = Math.round(SLOW * take.rate);
  const first = Math.round(LEAD_IN * take.rate);
  const count = Math.floor((channels.torque.length - first) / length);
  if (count < 5) return `The ${take.settings.fixture} take is shorter than 0.6 s.`;
  const means = Array.from({ length: count }, (_, k) =>
    mean(channels.torque, first + k * length, first + (k + 1) * length),
  );
  return standardDeviation(means);
}

const POLARITY_OPTIONS = { allowance: { dimension: 'ratio', default: 0.2 } } as const;

const polarity: GateRule = {
  id: 'polarity',
  name: 'polarity',
  definition:
    'Over small holds of both signs, motor-side and shaft torque grow with the command, each by as much as the command within the allowance. With both directions right, a torque that is off points at the item where the current is right or off alike, and a current that is off alone points at another model than its label says.',
  blames: 'stand',
  concern: 'sensor',
  sense: 'at-most',
  reach: 'run',
  stops: true,
  from: ['step'],
  power: 'on',
  options: POLARITY_OPTIONS,
  source: 'common practice, no source',
  judge: (capture, stage, options, context) => {
    const allowed = option(options, POLARITY_OPTIONS, 'allowance');
    const part = lastPart(stage.pattern, 'step');
    const take = capture.takes[0];
    const current = channelsOf(take, ['current']);
    if (part === undefined) {
      return gateOf(polarity, stage.id, doubt(allowed, '1', 'the stage holds no step pattern.'));
    }
    if ('reason' in current) return gateOf(polarity, stage.id, doubt(allowed, '1', current.reason));
    const average = part.pattern.hold / 2;
    const means = holdMeans(take, part, { conditioning: 0, average }, context);
    if ('reason' in means) return gateOf(polarity, stage.id, doubt(allowed, '1', means.reason));
    const x = means.map((hold) => hold.command);
    const motor = means.map((hold) => hold.current * context.torqueConstant.value);
    const shaft = means.map((hold) => hold.torque);
    // Slopes, not readings: preload and offset would hide a small torque of the wrong sign.
    const motorRatio = fitLine('least-squares', x, motor)?.slope;
    const shaftRatio = fitLine('least-squares', x, shaft)?.slope;
    if (motorRatio === undefined || shaftRatio === undefined) {
      return gateOf(polarity, stage.id, doubt(allowed, '1', 'the command does not change.'));
    }
    return polarityGate(motorRatio, shaftRatio, stage.id, allowed);
  },
};

/**
 * Judges polarity from the shares of the command with which current and torque answer it.
 *
 * @param motor - Motor-side torque over command. @param shaft - Shaft torque over command.
 * @param allowed - Share by which each may differ from the command.
 */
export function polarityGate(
  motor: number,
  shaft: number,
  stage: string,
  allowed: number = POLARITY_OPTIONS.allowance.default,
): Gate {
  const found = judgePairs(motor, shaft, allowed);
  if (found.holds) return gateOf(polarity, stage, found);
  const cause = causeOf(motor, shaft, allowed);
  const evidence = `${found.evidence}${cause.says}`;
  return gateOf({ ...polarity, blames: cause.blames }, stage, { ...found, evidence });
}

/** Says which pairs of command, current and torque disagree. */
function judgePairs(motor: number, shaft: number, allowed: number): Finding {
  const pairs: readonly (readonly [string, number])[] = [
    ['command and current', motor],
    ['command and torque', shaft],
    ['current and torque', shaft / motor],
  ];
  const away = pairs.map(([, ratio]) => (Number.isFinite(ratio) ? Math.abs(ratio - 1) : 1));
  // The third pair follows from the others: its allowance is theirs together.
  const bad = pairs.filter((_, i) => !((away[i] as number) <= (i === 2 ? 2 * allowed : allowed)));
  const observed = Math.max(away[0] as number, away[1] as number);
  const ratios = `current ${shown(motor)}, torque ${shown(shaft)} of the command`;
  const evidence =
    bad.length === 0
      ? `Command, current and torque agree: ${ratios}.`
      : `${bad.map(([name]) => name).join('; ')} disagree: ${ratios}, allowed 1 ± ${shown(allowed)}.`;
  return { holds: bad.length === 0, observed, allowed, unit: '1', evidence };
}

/** Less than this share of the command at the shaft, or more than its inverse: coupling or channel. Own choice. */
const COUPLED = 0.6;

/**
 * Says whom pairs that disagree point at. A wrong direction is a wire, a bridge or a sign of the stand,
 * and so is a torque that hardly comes at all. What is off in amount alone is told by the channels: they
 * share no part.
 */
function causeOf(
  motor: number,
  shaft: number,
  allowed: number,
): { readonly blames: Blame; readonly says: string } {
  const isNear = (ratio: number): boolean => Math.abs(ratio - 1) <= allowed;
  const isComing = (ratio: number): boolean => ratio > COUPLED && ratio < 1 / COUPLED;
  if (!isComing(motor) || !isComing(shaft)) return { blames: 'stand', says: '' };
  if (isNear(motor)) {
    const how = shaft < 1 ? 'weak' : 'strong';
    return { blames: 'item', says: ` The direction is right: the motor is too ${how}.` };
  }
  if (isNear(shaft)) {
    const says =
      ' The torque is right, but not its current: is it another model than its label says? Else look at the current channel.';
    return { blames: 'operator', says };
  }
  if (!isNear(shaft / motor)) return { blames: 'stand', says: '' };
  const how = shaft < 1 ? 'small' : 'great';
  return { blames: 'item', says: ` Two channels agree on it: both too ${how} alike.` };
}

const RETURN_OPTIONS = { allowance: { dimension: 'torque', default: 0.015 } } as const;

const zeroReturn: GateRule = {
  id: 'zero-return',
  name: 'return to zero',
  definition:
    'The coupled zero without power at the end is that of the start of the run, within the allowance.',
  blames: 'stand',
  concern: 'stand',
  sense: 'at-most',
  reach: 'run',
  stops: false,
  from: ['hold'],
  power: 'off',
  options: RETURN_OPTIONS,
  source: 'zero error after EURAMET cg-14 and ISO 376 ideas (from memory)',
  judge: (capture, stage, options, context) => {
    const allowed = option(options, RETURN_OPTIONS, 'allowance');
    const end = fixtureMean(capture, 'coupled');
    if (typeof end !== 'number') {
      return gateOf(zeroReturn, stage.id, doubt(allowed, 'N·m', end.reason));
    }
    const start = context.zero + context.preload;
    const observed = end - start;
    const moved = `moved by ${shown(observed * 1000)} mN·m during the run`;
    return gateOf(zeroReturn, stage.id, {
      holds: Math.abs(observed) <= allowed,
      observed,
      allowed,
      unit: 'N·m',
      evidence: `The coupled zero ${moved}, allowed ± ${shown(allowed * 1000)}.`,
    });
  },
};

/** Gates on zeros, shunt and polarity. */
export const STATIC_GATES: readonly GateRule[] = [shunt, zeroNoise, polarity, zeroReturn];
