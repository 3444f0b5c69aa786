import type { Capture } from '../capture/capture.js';
import type { Stage } from '../procedure/procedure.js';
import { grainOf, heldLines, heldSine, type HeldLine, type HeldSine } from './grain.js';
import { periodicPart } from './lag.js';
import { mean, standardDeviation } from './line.js';
import {
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  shown,
  type NotEvaluated,
} from './reading.js';
import type { Characteristic, Context, Evidence, Outcome } from './scoring.js';
import { atSetting, evidenceOf, grain, pointsOf, SETTING, type Point } from './smoothing.js';

const grainNumber: Characteristic = {
  ...grain,
  id: 'grain-number',
  name: 'grain number',
  definition:
    'Grain over what the held sine moves, root mean square, in one period of its source: 0 is smooth, 0.29 is an untouched hold.',
  formula:
    'grain / (2π·f·A / √2 · T), f and A of the sine, T the period of the source; 1/√12 for a bare hold',
  shifts:
    'frequencies of the sine so high that the low-pass at half the source rate touches it; the slew limit',
  dimension: 'ratio',
  unit: '1',
  source: 'common practice, no source; a step is uniformly spread over step/√12',
  check: 'tests/unit/sweep.test.ts',
  score: (capture, stage, reading, context) => {
    const part = lastPart(stage.pattern, 'staircase');
    const sine = part?.pattern.of;
    if (part === undefined || sine?.kind !== 'sine') {
      return notEvaluated('Grain is read from a staircase of a sine.');
    }
    const setting = option(reading.options, SETTING, 'smoothing');
    const outcome = atSetting(pointsOf(capture, stage, context), setting, 'grain');
    if (outcome.kind !== 'measured') return outcome;
    const travel = (Math.PI * Math.SQRT2 * sine.frequency * sine.amplitude) / part.pattern.rate;
    const { value, spread, repeats, evidence } = outcome;
    const scaled = spread === undefined ? undefined : spread / travel;
    return measured(value / travel, { spread: scaled, repeats, evidence });
  },
};

/** Lines of every take at one setting, A². */
function linesAt(
  capture: Capture,
  stage: Stage,
  setting: number,
): { readonly part: HeldSine; readonly lines: readonly (readonly HeldLine[])[] } | NotEvaluated {
  const takes = capture.takes.filter((take) => take.settings.smoothing === setting);
  const [first] = takes;
  if (first === undefined) return notEvaluated(`No take has smoothing ${shown(setting)}.`);
  const periodic = periodicPart(first, stage);
  if ('kind' in periodic) return periodic;
  const part = heldSine(periodic, stage);
  if ('kind' in part) return part;
  const lines: (readonly HeldLine[])[] = [];
  for (const take of takes) {
    const channels = channelsOf(take, ['current']);
    if ('kind' in channels) return channels;
    lines.push(heldLines(channels.current, part, take.rate));
  }
  return { part, lines };
}

const MULTIPLES = 5;

/** Root of the summed squares of the lines beside the first five multiples of the source rate. */
function harmonicsOf(lines: readonly HeldLine[]): number {
  const sum = lines
    .filter(({ multiple }) => multiple <= MULTIPLES)
    .reduce((total, { squared, noise }) => total + squared - noise, 0);
  return Math.sqrt(Math.max(0, sum));
}

const MILLI = 1e-3; // N·m: level 0 of the spectrum
const FLOOR = 1e-6; // N·m: nothing lower is drawn

function spectrumOf(lines: readonly HeldLine[], part: HeldSine, context: Context): Evidence {
  const drawn = lines
    .filter(({ multiple }) => multiple <= MULTIPLES)
    .sort((a, b) => a.frequency - b.frequency);
  const level = ({ squared }: HeldLine): number => {
    const amplitude = Math.sqrt(squared) * context.torqueConstant.value;
    return 20 * Math.log10(Math.max(FLOOR, amplitude) / MILLI);
  };
  const strongest = Array.from({ length: MULTIPLES }, (_, k) =>
    drawn
      .filter(({ multiple }) => multiple === k + 1)
      .reduce((most, line) => (line.squared > most.squared ? line : most)),
  );
  return {
    kind: 'spectrum',
    frequency: Float64Array.from(drawn, ({ frequency }) => frequency),
    level: Float64Array.from(drawn, level),
    unit: 'dB re 1 mN·m',
    marks: strongest.map((line) => ({
      frequency: line.frequency,
      level: level(line),
      label: `${line.multiple} × ${shown(part.held)} Hz`,
    })),
  };
}

const grainHarmonics: Characteristic = {
  ...grain,
  id: 'grain-harmonics',
  name: 'grain at the source rate and its harmonics',
  definition:
    'Root of the summed squared amplitudes of motor-side torque beside 1 to 5 times the source rate, where holding puts its lines, detected in step with the source; noise that does not repeat is subtracted.',
  formula:
    '√Σ A(k·fₛ ± f)² + A(k·fₛ ± 3f)², k = 1 … 5; fₛ the source rate, f the frequency of the sine',
  shifts:
    'amplitude and frequency of the sine, and the source rate; the slew limit; a source that jitters',
  source: 'common practice, no source',
  score: (capture, stage, reading, context) => {
    const setting = option(reading.options, SETTING, 'smoothing');
    const found = linesAt(capture, stage, setting);
    if ('kind' in found) return found;
    const values = found.lines.map((lines) => harmonicsOf(lines) * context.torqueConstant.value);
    const evidence = spectrumOf(found.lines[0] ?? [], found.part, context);
    if (values.length === 1) return measured(mean(values), { evidence });
    const spread = standardDeviation(values);
    return measured(mean(values), { spread, repeats: values.length, evidence });
  },
};

/**
 * Predicts the grain of a setting from its lag: two equal poles that lag by L = 2 / (2π·fc) pass a
 * line at f with 1 / (1 + (f/fc)²).
 *
 * @param lines - Of the take without smoothing. @param lag - Beyond that of the same take, s, > 0.
 * @returns Unit of the samples, rms.
 *
 * Source: derived from the poles. Check: tests/unit/sweep.test.ts.
 */
export function grainForLag(lines: readonly HeldLine[], lag: number): number {
  const corner = 1 / (Math.PI * lag);
  return grainOf(lines, (f) => 1 / (1 + (f / corner) ** 2)).grain;
}

/** Distances of the settings above 0 from the curve, as shares of the grain at setting 0. */
function departuresOf(
  points: readonly Point[],
  lines: readonly HeldLine[],
  context: Context,
): readonly number[] | NotEvaluated {
  const bare = points.find((point) => point.lag.length === 0 || point.grain.length === 0);
  if (bare !== undefined) return bare.reasons[0] ?? notEvaluated('Nothing was read.');
  const [origin, ...others] = points;
  if (origin?.setting !== 0 || others.length === 0) {
    return notEvaluated('The curve begins at smoothing 0: play 0 and at least one setting more.');
  }
  const whole = mean(origin.grain);
  const departures: number[] = [];
  for (const { setting, lag, grain: found } of others) {
    const more = mean(lag) - mean(origin.lag);
    if (!(more > 0)) {
      const lead = shown(-more * 1000);
      return notEvaluated(`Setting ${setting} lags ${lead} ms less than setting 0.`);
    }
    const predicted = grainForLag(lines, more) * context.torqueConstant.value;
    departures.push((mean(found) - predicted) / whole);
  }
  return departures;
}

/** Points of the curve that are drawn. */
const DRAWN = 40;

/** The curve of two equal poles through the point of setting 0, as far as the slowest setting. */
function curveOf(
  points: readonly Point[],
  lines: readonly HeldLine[],
  context: Context,
): readonly { readonly lag: number; readonly grain: number }[] {
  const lags = points.map((point) => mean(point.lag));
  const first = lags[0] ?? 0;
  const longest = Math.max(...lags) - first;
  return Array.from({ length: DRAWN }, (_, i) => {
    const more = (longest * (i + 1)) / DRAWN;
    return { lag: first + more, grain: grainForLag(lines, more) * context.torqueConstant.value };
  });
}

const tradeOffDeparture: Characteristic = {
  ...grain,
  id: 'trade-off-departure',
  name: 'departure from the trade-off curve',
  definition:
    'Greatest distance, over the smoothing settings above 0, of the grain from what two equal poles of the same lag would leave of the grain of setting 0, as a share of that grain; positive for more grain.',
  formula:
    'max |g(s) − g₂(L(s) − L(0))| / g(0), with its sign; g₂(L): lines of setting 0 times 1 / (1 + (f/fc)²), fc = 1/(π·L)',
  shifts:
    'smoothing of another kind than two equal poles; the slew limit, which adds 0.02 ms to the lag of setting 0; settings exchanged among themselves do not move it',
  dimension: 'ratio',
  unit: '%',
  takes: 2,
  options: {},
  source: 'common practice, no source; curve derived from two equal poles',
  check: 'tests/unit/sweep.test.ts',
  score: (capture, stage, _reading, context): Outcome => {
    const points = pointsOf(capture, stage, context);
    const found = linesAt(capture, stage, 0);
    if ('kind' in found) return found;
    const departures = departuresOf(points, found.lines[0] ?? [], context);
    if ('kind' in departures) return departures;
    const worst = departures.reduce((most, d) => (Math.abs(d) > Math.abs(most) ? d : most));
    const curve = curveOf(points, found.lines[0] ?? [], context);
    return measured(worst, { evidence: { ...evidenceOf(points), curve } });
  },
};

/** What a sweep of the smoothing settings tells besides lag and grain. */
export const SWEEP: readonly Characteristic[] = [grainNumber, grainHarmonics, tradeOffDeparture];
