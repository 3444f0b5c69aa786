import type { Capture, Take } from '../capture/capture.js';
import { parts } from '../pattern/waveform.js';
import type { Stage } from '../procedure/procedure.js';
import { mean, standardDeviation } from './line.js';
import { measured, notEvaluated, option, samplesOf, shown, type NotEvaluated } from './reading.js';
import type { Characteristic, Evidence } from './scoring.js';
import { soundSpectrum, thirdOctaves, weightedLevel } from './weighting.js';

const SETTLING = { settling: { dimension: 'time', default: 0.3 } } as const;
const ONE = {
  ...SETTLING,
  smoothing: { dimension: 'count', default: 2 },
  slew: { dimension: 'slew', default: 0 },
} as const;

const SHORTEST = 1; // s: the lowest third of an octave then holds bins enough
const BANDS = { low: 25, high: 8000 }; // Hz

/** Level of one take with the bands it is made of, dB(A). */
interface Sound {
  readonly level: number;
  readonly evidence: Evidence;
}

function soundOf(take: Take, stage: Stage, settling: number): Sound | NotEvaluated {
  const { sound } = take.channels;
  if (sound === undefined) return notEvaluated('The bench has no microphone.');
  const end = parts(stage.pattern).at(-1)?.to ?? 0;
  const { first, end: last } = samplesOf(take, settling, end);
  const pressure = sound.subarray(first, last);
  if (pressure.length < SHORTEST * take.rate) {
    const found = shown(Math.max(0, last - first) / take.rate);
    return notEvaluated(`${found} s of sound are left after settling; ${SHORTEST} s are needed.`);
  }
  const spectrum = soundSpectrum(pressure, take.rate);
  const level = spectrum && weightedLevel(spectrum, 'A');
  if (spectrum === undefined || level === undefined) {
    return notEvaluated('The microphone gives nothing but zeros.');
  }
  const bands = thirdOctaves(spectrum, 'A', BANDS).filter((band) => band.level !== undefined);
  const evidence: Evidence = {
    kind: 'spectrum',
    frequency: Float64Array.from(bands, ({ centre }) => centre),
    level: Float64Array.from(bands, (band) => band.level ?? 0),
    unit: 'dB(A)',
  };
  return { level, evidence };
}

const SHARED = {
  gates: [],
  dimension: 'sound level',
  unit: 'dB(A)',
  side: 'acoustic',
  from: ['hold', 'sine', 'triangle', 'staircase', 'multisine', 'recorded', 'step', 'chirp'],
  power: 'on',
  takes: 1,
  formula: 'L = 10·lg(∫ p_A² dt / (T·p₀²)), p_A weighted by A, p₀ = 20 µPa',
  shifts:
    'noise of the room, which is not taken out; place of the microphone; what the stand itself hums',
  source: 'IEC 61672-1:2013, equivalent continuous level, A-weighting (from memory)',
  check: 'tests/checks/sound.check.ts',
} as const;

const soundLevel: Characteristic = {
  ...SHARED,
  id: 'sound-level',
  name: 'sound level',
  definition:
    'Equivalent continuous sound pressure level, weighted by A, at the microphone over the take with the stated smoothing and slew setting, after settling.',
  options: ONE,
  score: (capture: Capture, stage, reading) => {
    const smoothing = option(reading.options, ONE, 'smoothing');
    const slew = option(reading.options, ONE, 'slew');
    const settling = option(reading.options, ONE, 'settling');
    const suits = capture.takes.filter(
      ({ settings }) => settings.smoothing === smoothing && (slew === 0 || settings.slew === slew),
    );
    const sounds: Sound[] = [];
    for (const take of suits) {
      const found = soundOf(take, stage, settling);
      if ('kind' in found) return found;
      sounds.push(found);
    }
    const [first] = sounds;
    if (first === undefined) {
      const setting = slew === 0 ? '' : ` and slew ${shown(slew)} N·m/s`;
      return notEvaluated(`No take has smoothing ${shown(smoothing)}${setting}.`);
    }
    const slews = new Set(suits.map(({ settings }) => settings.slew));
    if (slews.size > 1) return notEvaluated('Takes of different slew would be mixed: state which.');
    const { evidence } = first;
    if (sounds.length === 1) return measured(first.level, { evidence });
    // Energies are averaged, not levels: two takes are one that lasts twice as long.
    const level = 10 * Math.log10(mean(sounds.map((sound) => 10 ** (sound.level / 10))));
    const spread = standardDeviation(sounds.map((sound) => sound.level));
    return measured(level, { evidence, spread, repeats: sounds.length });
  },
};

const soundOverSettings: Characteristic = {
  ...SHARED,
  id: 'sound-over-settings',
  name: 'greatest sound level',
  definition:
    'Greatest of the equivalent continuous sound pressure levels, weighted by A, of the takes of the stage, each after settling.',
  options: SETTLING,
  takes: 2,
  score: (capture: Capture, stage, reading) => {
    let loudest: Sound | undefined;
    for (const take of capture.takes) {
      const found = soundOf(take, stage, option(reading.options, SETTLING, 'settling'));
      if ('kind' in found) return found;
      if (loudest === undefined || found.level > loudest.level) loudest = found;
    }
    if (loudest === undefined) throw new Error('a capture without takes');
    return measured(loudest.level, { evidence: loudest.evidence });
  },
};

/** Characteristics of what an item sounds like. */
export const SOUND: readonly Characteristic[] = [soundLevel, soundOverSettings];
