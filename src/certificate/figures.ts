import { unreachable } from '../base/error.js';
import type { Evidence } from '../scoring/scoring.js';
import { angleFigure } from './angle-figures.js';
import {
  extent,
  keyOf,
  readingsOf,
  saidBy,
  type FigureSources,
  type Reading,
} from './figure-sources.js';
import type { Figure } from './figure.js';
import { ladderFigure } from './ladder-figures.js';
import { loopFigure } from './loop-figures.js';
import { responseFigure } from './response-figures.js';
import { smoothingFigure } from './smoothing-figures.js';
import { spectrumFigure } from './spectrum-figures.js';
import { stepFigure, type StepReading } from './step-figures.js';
import { traceFigure } from './trace-figures.js';
import { verdictRead } from './words.js';

export type { FigureSources } from './figure-sources.js';

/** The figure of one reading, with what names its file. */
export interface Plot {
  readonly stage: string;
  readonly characteristic: string;
  /** What was read, what is allowed and what was concluded, in words. */
  readonly words: string;
  readonly figure: Figure;
}

/** Draws every reading that has evidence, each as a figure of its own. */
export function plotsOf(sources: FigureSources): readonly Plot[] {
  return drawable(sources).map((reading) => ({
    stage: reading.stage,
    characteristic: reading.characteristic,
    words: wordsOf(reading),
    figure: figureOf(sources, reading),
  }));
}

function wordsOf(reading: Reading): string {
  const { name, text, allowed } = saidBy(reading);
  const { result } = reading;
  if (result === undefined) return `${name}: ${text}; no limit`;
  return `${name}: ${text}, ${allowed}; ${verdictRead(result.verdict)}`;
}

/**
 * Chooses what the page shows: one figure of each kind, and each reading that was not accepted.
 *
 * @returns Figures in the order of the page; a kind of evidence that is missing has none.
 */
export function figuresOf(sources: FigureSources): readonly Figure[] {
  const all = drawable(sources);
  const chosen = [...stepFigures(sources, all), ...otherFigures(sources, all)];
  const shown = new Set(chosen.flatMap((figure) => figure.shows ?? []));
  const refused = all
    .filter((reading) => isRefused(reading) && !shown.has(keyOf(reading)))
    .map((reading) => figureOf(sources, reading));
  return [...chosen, ...refused];
}

const drawable = (sources: FigureSources): readonly Reading[] =>
  readingsOf(sources).filter(({ evidence }) => isDrawable(evidence));

/** Two points make a curve; a point of its own needs one. */
function isDrawable(evidence: Evidence): boolean {
  switch (evidence.kind) {
    case 'transition':
    case 'trace':
      return evidence.time.length > 1 && extent(evidence.torque) !== undefined;
    case 'loop':
      return evidence.command.length > 1 && extent(evidence.torque) !== undefined;
    case 'response':
      return evidence.frequency.length > 1 && extent(evidence.gain) !== undefined;
    case 'spectrum':
      return evidence.frequency.length > 1 && extent(evidence.level) !== undefined;
    case 'smoothing':
    case 'ladder':
    case 'angles':
      return evidence.points.length > 0;
    default:
      return unreachable(evidence);
  }
}

function figureOf(sources: FigureSources, reading: Reading): Figure {
  const { evidence } = reading;
  switch (evidence.kind) {
    case 'transition':
      return stepFigure(sources, { ...reading, evidence });
    case 'response':
      return responseFigure(sources, { ...reading, evidence });
    case 'smoothing':
      return smoothingFigure(sources, { ...reading, evidence });
    case 'trace':
      return traceFigure(sources, { ...reading, evidence });
    case 'loop':
      return loopFigure({ ...reading, evidence });
    case 'spectrum':
      return spectrumFigure({ ...reading, evidence });
    case 'ladder':
      return ladderFigure({ ...reading, evidence });
    case 'angles':
      return angleFigure({ ...reading, evidence });
    default:
      return unreachable(evidence);
  }
}

const isRefused = ({ result }: Reading): boolean =>
  result !== undefined && result.verdict.outcome !== 'conforming';

function isStep(reading: Reading): reading is StepReading {
  return reading.evidence.kind === 'transition';
}

/** The rise of the step that has a settling band if there is one, drawn with it; then a full step. */
function stepFigures(sources: FigureSources, all: readonly Reading[]): readonly Figure[] {
  const steps = all.filter(isStep);
  const of = (id: string): readonly StepReading[] => steps.filter((r) => r.characteristic === id);
  const settlingOf = (rise: StepReading): StepReading | undefined =>
    of('settling-time').find((r) => r.stage === rise.stage);
  const rises = of('rise-time');
  const chosen = rises.find((r) => settlingOf(r) !== undefined) ?? rises.at(-1);
  return [
    ...rises
      .filter((r) => r === chosen || isRefused(r))
      .map((r) => stepFigure(sources, r, settlingOf(r))),
    ...of('slew-rate')
      .filter((r, i) => i === 0 || isRefused(r))
      .map((r) => stepFigure(sources, r)),
  ];
}

/** Kinds of evidence in the order of the page. Responses by stage: two stages are two items to compare. */
const PAGE: readonly Evidence['kind'][] = [
  'response',
  'smoothing',
  'trace',
  'loop',
  'angles',
  'ladder',
  'spectrum',
];

function otherFigures(sources: FigureSources, all: readonly Reading[]): readonly Figure[] {
  return PAGE.flatMap((kind) => {
    const here = all.filter((reading) => reading.evidence.kind === kind);
    const stages = [...new Set(here.map((reading) => reading.stage))];
    const wanted = kind === 'response' ? stages : stages.slice(0, 1);
    return wanted
      .flatMap((stage) => here.find((reading) => reading.stage === stage) ?? [])
      .map((reading) => figureOf(sources, reading));
  });
}
