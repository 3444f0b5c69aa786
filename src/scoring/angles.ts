import type { Capture, Take } from '../capture/capture.js';
import type { Stage } from '../procedure/procedure.js';
import { leastSquares, mean, range } from './line.js';
import {
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  samplesOf,
  shown,
  type NotEvaluated,
} from './reading.js';
import type { Characteristic, Evidence } from './scoring.js';

const FEWEST = 12; // angles
const TURN = 2 * Math.PI;

/** What a value was read at: the indexed angle, rad. */
interface AtAngle {
  readonly angle: number;
  readonly value: number;
}

/** Reads every take, each at its own angle; the angle is the stage's, not measured. */
function readAngles(
  capture: Capture,
  read: (take: Take) => number | NotEvaluated,
): readonly AtAngle[] | NotEvaluated {
  const points: AtAngle[] = [];
  for (const take of capture.takes) {
    const { angle } = take.settings;
    if (angle === undefined) return notEvaluated('A take of the stage states no indexed angle.');
    const value = read(take);
    if (typeof value !== 'number') return value;
    points.push({ angle, value });
  }
  const different = new Set(points.map(({ angle }) => angle)).size;
  if (different < FEWEST) {
    return notEvaluated(`${different} angles were indexed; ${FEWEST} are needed.`);
  }
  return points;
}

/** Widest gap that angles leave in one period, as a share of it; 1 when all fall on one place. */
export function widestGap(angles: readonly number[], period: number): number {
  const places = angles
    .map((angle) => angle / period - Math.floor(angle / period))
    .sort((a, b) => a - b);
  const gaps = places.map((place, i) => (places[i + 1] ?? (places[0] as number) + 1) - place);
  return Math.max(...gaps);
}

/** Most of a period that may lie between two angles: five angles evenly spread leave a fifth. */
const WIDEST = 0.25;

/**
 * Says when angles cannot show a period. Angles a whole period apart all fall on one place of it:
 * twelve angles of 3° see a constant where there are 120 periods a turn.
 */
function aliased(points: readonly AtAngle[], periods: number): NotEvaluated | undefined {
  const gap = widestGap(
    points.map(({ angle }) => angle),
    TURN / periods,
  );
  if (gap <= WIDEST) return undefined;
  const width = shown(360 / periods);
  return notEvaluated(
    `The angles leave ${shown(gap * 100)} % of the period of ${width}° unseen, ${WIDEST * 100} % is allowed: choose angles that fall on different places of it.`,
  );
}

function evidenceOf(points: readonly AtAngle[], unit: string): Evidence {
  return { kind: 'angles', points, unit };
}

const COGGING = {
  periods: { dimension: 'count' },
  settling: { dimension: 'time', default: 0.3 },
} as const;

const HARMONICS = 2;
const PLACES = 360;

/**
 * Fits the periodic part of readings over angle: two harmonics, beside a mean and a straight line
 * over the order of the takes, which a drifting zero draws.
 *
 * @returns Peak to peak of the periodic part, unit of the values; undefined when the angles do not
 *   determine it.
 *
 * Check: tests/unit/angles.test.ts.
 */
export function periodicPart(points: readonly AtAngle[], periods: number): number | undefined {
  const turns = (k: number): readonly number[] => points.map(({ angle }) => k * periods * angle);
  const columns = [
    points.map(() => 1),
    points.map((_, i) => i),
    ...Array.from({ length: HARMONICS }, (_, k) => [
      turns(k + 1).map(Math.cos),
      turns(k + 1).map(Math.sin),
    ]).flat(),
  ];
  const fit = leastSquares(
    columns,
    points.map(({ value }) => value),
  );
  if (fit === undefined) return undefined;
  const drawn = Array.from({ length: PLACES }, (_, i) => {
    let sum = 0;
    for (let k = 1; k <= HARMONICS; k++) {
      const at = (TURN * k * i) / PLACES;
      const [cos, sin] = [fit.coefficients[2 * k] as number, fit.coefficients[2 * k + 1] as number];
      sum += cos * Math.cos(at) + sin * Math.sin(at);
    }
    return sum;
  });
  return range(drawn);
}

const cogging: Characteristic = {
  id: 'cogging',
  name: 'cogging torque',
  definition:
    'Peak to peak over a turn of the part of the mean torque at zero command that repeats with the period of the slots, as two harmonics fitted to 12 indexed angles or more.',
  formula:
    'pk-pk of Σ a_k·cos(kNφ) + b_k·sin(kNφ), k = 1, 2, fitted beside a mean and a drift by order of the takes; N periods a turn',
  shifts:
    'friction of the bearing, which may hold back up to its own size; play of the index; angles that fall on few places of a period',
  gates: [],
  dimension: 'torque',
  unit: 'mN·m',
  side: 'shaft',
  from: ['hold'],
  power: 'either',
  takes: 1,
  options: COGGING,
  source: 'common practice, no source',
  check: 'tests/unit/angles.test.ts',
  score: (capture, stage, reading) => {
    const periods = option(reading.options, COGGING, 'periods');
    const settling = option(reading.options, COGGING, 'settling');
    const points = readAngles(capture, (take) => zeroOf(take, stage, settling));
    if ('kind' in points) return points;
    const blind = aliased(points, periods);
    if (blind !== undefined) return blind;
    const found = periodicPart(points, periods);
    if (found === undefined) return notEvaluated('The angles do not determine two harmonics.');
    return measured(found, { evidence: evidenceOf(points, 'N·m') });
  },
};

/** Mean torque of the last hold, which must be at zero. */
function zeroOf(take: Take, stage: Stage, settling: number): number | NotEvaluated {
  const part = lastPart(stage.pattern, 'hold');
  if (part === undefined) return notEvaluated('The stage holds no level.');
  const { level } = part.pattern;
  if (level !== 0) {
    return notEvaluated(`Cogging is read at zero torque; the hold is at ${shown(level)} N·m.`);
  }
  const channels = channelsOf(take, ['torque']);
  if ('kind' in channels) return channels;
  const { first, end } = samplesOf(take, part.from + settling, part.to);
  return end > first ? mean(channels.torque, first, end) : tooShort(settling);
}

function tooShort(settling: number): NotEvaluated {
  return notEvaluated(`The hold ends within the ${shown(settling)} s that it is given to settle.`);
}

const COMMUTATION = {
  'pole-pairs': { dimension: 'count' },
  settling: { dimension: 'time', default: 0.1 },
} as const;

const torqueOverAngle: Characteristic = {
  id: 'torque-over-angle',
  name: 'torque over angle',
  definition:
    'Greatest less least torque per ampere over 12 indexed angles or more of one electrical turn, over their mean; torque and current as differences between holds of both signs, which takes cogging and zeros out.',
  formula: '(max_φ k − min_φ k)/mean_φ k, k(φ) = (τ₊ − τ₋)/(i₊ − i₋)',
  shifts:
    'steps without shaped edges, which ring and leave bearing friction with either sign, up to 0.3 %; magnets that warm up between takes; few angles, which miss the greatest and least',
  gates: ['agreement'],
  dimension: 'ratio',
  unit: '%',
  side: 'shaft',
  from: ['step'],
  power: 'on',
  takes: 1,
  options: COMMUTATION,
  source: 'common practice, no source',
  check: 'tests/unit/angles.test.ts',
  score: (capture, stage, reading) => {
    const pairs = option(reading.options, COMMUTATION, 'pole-pairs');
    const settling = option(reading.options, COMMUTATION, 'settling');
    const points = readAngles(capture, (take) => torquePerAmpere(take, stage, settling));
    if ('kind' in points) return points;
    // Commutation repeats twice a turn of the field, or oftener.
    const blind = aliased(points, 2 * pairs);
    if (blind !== undefined) return blind;
    const values = points.map(({ value }) => value);
    return measured(range(values) / mean(values), { evidence: evidenceOf(points, 'N·m/A') });
  },
};

/** Torque per ampere between the holds of both signs of a step pattern. */
function torquePerAmpere(take: Take, stage: Stage, settling: number): number | NotEvaluated {
  const part = lastPart(stage.pattern, 'step');
  if (part === undefined) return notEvaluated('The stage plays no steps.');
  const channels = channelsOf(take, ['torque', 'current']);
  if ('kind' in channels) return channels;
  const { levels, hold, repeat } = part.pattern;
  if (!(levels.some((l) => l > 0) && levels.some((l) => l < 0))) {
    return notEvaluated('Torque over angle needs steps of both signs.');
  }
  if (hold <= settling) return tooShort(settling);
  let [torque, current] = [0, 0];
  const counts = { up: 0, down: 0 };
  const all = Array.from({ length: levels.length * repeat }, (_, i) => levels[i % levels.length]);
  for (const level of all) if (level !== 0) counts[(level as number) > 0 ? 'up' : 'down'] += 1;
  all.forEach((level, i) => {
    if (level === 0) return;
    const up = (level as number) > 0;
    const weight = up ? 1 / counts.up : -1 / counts.down;
    const start = part.from + i * hold;
    const { first, end } = samplesOf(take, start + settling, start + hold);
    torque += weight * mean(channels.torque, first, end);
    current += weight * mean(channels.current, first, end);
  });
  if (!(Math.abs(current) > 0)) return notEvaluated('No current flowed between the two signs.');
  return torque / current;
}

/** Characteristics that are read at many angles of the locked shaft. */
export const ANGLES: readonly Characteristic[] = [cogging, torqueOverAngle];
