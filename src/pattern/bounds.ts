import { unreachable } from '../base/error.js';
import type { Quantity } from '../base/units.js';
import type { Pattern, StepPattern } from '../procedure/procedure.js';
import { multisineOf } from './multisine.js';
import { chirpFrequency, durationOf, edges, INSTANT, parts, underlyingShape } from './shapes.js';
import { compile } from './waveform.js';
import type { Bounds } from './waveform.js';

/** What a waveform may ask of the item and the stand. */
export interface Allowances {
  /** Greatest torque of any sample, N·m. */
  readonly ceiling: number;
  /** Greatest slope of shaped parts, N·m/s. */
  readonly slew: number;
  /** Most copper loss on average over the pattern, with the winding it is reckoned for. */
  readonly loss?: Winding & { readonly allowed: number };
  /** Most ringing a shaped step may leave on the stand, as a share of the step. */
  readonly ringing?: { readonly resonance: number; readonly allowed: number };
}

/** N·m/A, amplitude convention, and Ω at 20 °C. */
export interface Winding {
  readonly torqueConstant: number;
  readonly resistance: number;
}

export type FindingKind =
  /** A sample is NaN or infinite. */
  | 'not-finite'
  | 'ceiling'
  | 'slew'
  | 'loss'
  | 'ringing'
  /** A period or hold is no whole number of updates, so that it would not repeat alike. */
  | 'off-grid'
  /** A frequency or a source is too fast for the updates. */
  | 'too-fast'
  /** A shaped edge lasts longer than the level it leads to. */
  | 'edge'
  /** The range has room for fewer lines than asked for. */
  | 'lines';

/** One way in which a pattern asks for what it may not have. */
export interface Finding {
  readonly kind: FindingKind;
  readonly observed: number;
  readonly allowed: number;
  readonly unit: string;
  /** s since the start of the pattern: the sample itself, or the start of the part. */
  readonly at: number;
}

/**
 * Finds the largest magnitudes of a pattern as compiled.
 *
 * @returns NaN for peak and rms when a sample is NaN, so that no comparison can overlook it.
 */
export function boundsOf(pattern: Pattern, updates: Quantity<'Hz'>): Bounds {
  const { command } = compile(pattern, updates);
  if (pattern.kind === 'virtual-spring') {
    // The spring asks for no more than its limit; it swings, so that this rms is never reached.
    const { limit } = pattern;
    return { peak: limit, rms: limit / Math.SQRT2, slew: 0, duration: durationOf(pattern) };
  }
  return {
    peak: command.reduce((peak, value) => Math.max(peak, Math.abs(value)), 0),
    rms: rmsOf(command),
    slew: slewOf(pattern),
    duration: durationOf(pattern),
  };
}

function rmsOf(samples: Float64Array): number {
  let squares = 0;
  for (const value of samples) squares += value * value;
  return Math.sqrt(squares / Math.max(1, samples.length));
}

/**
 * Reckons the mean copper loss of a pattern in W, the torque following the command.
 *
 * Source: 1.5 · R · I² of a three-phase winding, I the amplitude of the phase current; common
 * practice, no source.
 * Check: tests/checks/pattern.check.ts.
 */
export function copperLoss(rms: number, winding: Winding): number {
  return 1.5 * winding.resistance * (rms / winding.torqueConstant) ** 2;
}

/**
 * Reckons how much a raised-cosine edge excites a resonance: amplitude of the ringing that is left
 * after the edge, as a share of the step, without damping. 1 for an abrupt edge; 0 where
 * resonance · edge is 1.5, 2.5, 3.5 …
 *
 * @param edge - Duration of the edge, s.
 * @param resonance - Hz.
 *
 * Source: Fourier integral of the slope of the edge, own derivation.
 * Check: tests/checks/pattern.check.ts.
 */
export function predictedRinging(edge: number, resonance: number): number {
  const cycles = edge * resonance;
  const below = 1 - 4 * cycles * cycles;
  if (Math.abs(below) < 1e-9) return Math.PI / 4;
  return Math.abs(Math.cos(Math.PI * cycles) / below);
}

/**
 * Compares a pattern with what it may ask for, every sample of it.
 *
 * @param updates - Rate at which the item latches commands.
 * @returns Everything found, each once with its worst value; empty when the pattern may be played.
 */
export function checkBounds(
  pattern: Pattern,
  updates: Quantity<'Hz'>,
  allowances: Allowances,
): readonly Finding[] {
  const { command } = compile(pattern, updates);
  const { peak, rms } = boundsOf(pattern, updates);
  const asked = pattern.kind === 'virtual-spring' ? Float64Array.of(peak) : command;
  const found = [
    ...checkSamples(asked, updates, allowances.ceiling),
    ...checkLoss(rms, allowances),
  ];
  for (const part of parts(pattern)) {
    const slew = slewOf(part.pattern);
    if (slew > allowances.slew) {
      const { from: at } = part;
      found.push({ kind: 'slew', observed: slew, allowed: allowances.slew, unit: 'N·m/s', at });
    }
    const faults = [...checkPlan(part.pattern, updates), ...checkRinging(part.pattern, allowances)];
    found.push(...faults.map((fault) => ({ ...fault, at: part.from + fault.at })));
  }
  return found;
}

function checkLoss(rms: number, { loss }: Allowances): readonly Finding[] {
  if (loss === undefined) return [];
  const observed = copperLoss(rms, loss);
  if (observed <= loss.allowed) return [];
  return [{ kind: 'loss', observed, allowed: loss.allowed, unit: 'W', at: 0 }];
}

function checkSamples(command: Float64Array, updates: number, ceiling: number): readonly Finding[] {
  const strange = command.findIndex((value) => !Number.isFinite(value));
  if (strange >= 0) {
    const at = strange / updates;
    return [
      { kind: 'not-finite', observed: command[strange] ?? 0, allowed: ceiling, unit: 'N·m', at },
    ];
  }
  let worst = 0;
  command.forEach((value, i) => {
    if (Math.abs(value) > Math.abs(command[worst] ?? 0)) worst = i;
  });
  const observed = Math.abs(command[worst] ?? 0);
  if (observed <= ceiling) return [];
  return [{ kind: 'ceiling', observed, allowed: ceiling, unit: 'N·m', at: worst / updates }];
}

/**
 * Largest slope of the shaped parts of a pattern, N·m/s. A staircase and a recording count with the
 * shape their source means; abrupt changes of level do not count.
 */
function slewOf(pattern: Pattern): number {
  switch (pattern.kind) {
    case 'hold':
    case 'pseudo-random':
    case 'silence':
    case 'virtual-spring':
      return 0;
    case 'ramp':
      return Math.abs(pattern.to - pattern.from) / pattern.duration;
    case 'step':
      return steepestEdge(pattern);
    case 'triangle':
      return 4 * Math.abs(pattern.amplitude) * pattern.frequency;
    case 'staircase':
      return slewOf(pattern.of);
    case 'burst':
      return pattern.window === 'none' ? sineSlew(pattern) : steepestPart(pattern);
    case 'chirp':
      return sineSlew({
        amplitude: pattern.amplitude,
        frequency: Math.max(pattern.from, pattern.to),
      });
    case 'sine':
      return sineSlew(pattern);
    case 'multisine':
      return multisineOf(pattern).slew;
    case 'recorded':
      return steepestRecording(pattern.samples) * Math.abs(pattern.scale) * pattern.rate;
    case 'list':
      return Math.max(...pattern.parts.map(slewOf));
    default:
      return unreachable(pattern);
  }
}

function sineSlew(sine: { readonly amplitude: number; readonly frequency: number }): number {
  return 2 * Math.PI * sine.frequency * Math.abs(sine.amplitude);
}

function steepestEdge(pattern: StepPattern): number {
  if (pattern.edge <= 0) return 0;
  const rise = Math.max(0, ...edges(pattern).map((edge) => Math.abs(edge.to - edge.from)));
  return (Math.PI / 2) * (rise / pattern.edge);
}

/** Chords over 1/128 of a cycle understate a slope by less than 0.02 %. */
function steepestPart(pattern: Extract<Pattern, { kind: 'burst' }>): number {
  const rate = 128 * pattern.frequency;
  const shape = underlyingShape(pattern);
  let steepest = 0;
  for (let i = 1; i <= 128 * pattern.cycles; i++) {
    steepest = Math.max(steepest, Math.abs(shape(i / rate) - shape((i - 1) / rate)) * rate);
  }
  return steepest;
}

function steepestRecording(samples: Float64Array): number {
  let steepest = 0;
  for (let i = 1; i < samples.length; i++) {
    steepest = Math.max(steepest, Math.abs((samples[i] as number) - (samples[i - 1] as number)));
  }
  return steepest;
}

function checkRinging(pattern: Pattern, allowances: Allowances): readonly Finding[] {
  const { ringing } = allowances;
  if (pattern.kind !== 'step' || pattern.edge <= 0 || ringing === undefined) return [];
  const observed = predictedRinging(pattern.edge, ringing.resonance);
  if (observed <= ringing.allowed) return [];
  return [{ kind: 'ringing', observed, allowed: ringing.allowed, unit: '', at: 0 }];
}

/** Finds what the updates cannot carry. */
function checkPlan(pattern: Pattern, updates: number): readonly Finding[] {
  const half = updates / 2;
  switch (pattern.kind) {
    case 'hold':
    case 'ramp':
      return [];
    case 'silence':
      return [...checkGrid(pattern.before, updates), ...checkGrid(pattern.silent, updates)];
    case 'virtual-spring':
      return checkGrid(pattern.dwell, updates);
    case 'step':
      return [...checkGrid(pattern.hold, updates), ...checkEdge(pattern)];
    case 'triangle':
    case 'burst':
    case 'sine':
      return checkSpeed(pattern.frequency, half);
    case 'chirp':
      return checkSpeed(Math.max(pattern.from, chirpFrequency(pattern, pattern.duration)), half);
    case 'multisine':
      return [
        ...checkSpeed(pattern.to, half),
        ...checkGrid(pattern.period, updates),
        ...checkLines(pattern.lines, multisineOf(pattern).lines.length),
      ];
    case 'pseudo-random':
      return [...checkSpeed(pattern.rate, updates), ...checkGrid(1 / pattern.rate, updates)];
    case 'recorded':
      return checkSpeed(pattern.rate, updates);
    case 'staircase':
      return [
        ...checkSpeed(pattern.rate, updates),
        ...parts(pattern.of).flatMap((part) => checkPlan(part.pattern, pattern.rate)),
      ];
    case 'list':
      return pattern.parts.flatMap((part) => checkPlan(part, updates));
    default:
      return unreachable(pattern);
  }
}

function checkSpeed(observed: number, allowed: number): readonly Finding[] {
  if (observed <= allowed) return [];
  return [{ kind: 'too-fast', observed, allowed, unit: 'Hz', at: 0 }];
}

function checkGrid(time: number, updates: number): readonly Finding[] {
  const allowed = Math.max(1, Math.round(time * updates)) / updates;
  if (Math.abs(time - allowed) < INSTANT) return [];
  return [{ kind: 'off-grid', observed: time, allowed, unit: 's', at: 0 }];
}

function checkEdge(pattern: StepPattern): readonly Finding[] {
  if (pattern.edge <= pattern.hold) return [];
  return [{ kind: 'edge', observed: pattern.edge, allowed: pattern.hold, unit: 's', at: 0 }];
}

function checkLines(asked: number, room: number): readonly Finding[] {
  if (asked <= room) return [];
  return [{ kind: 'lines', observed: asked, allowed: room, unit: 'lines', at: 0 }];
}
