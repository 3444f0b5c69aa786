import type { ErrorCode } from '../base/codes.js';
import type { Problem } from '../base/error.js';
import { oneOf, writeInstead } from '../base/report.js';
import { BASE_UNIT } from '../base/units.js';
import { checkBounds } from '../pattern/bounds.js';
import type { Allowances, Finding, FindingKind } from '../pattern/bounds.js';
import type { Pattern, Reading, Stage } from '../procedure/procedure.js';
import type { Characteristic } from '../scoring/scoring.js';
import type { Catalogue, Played } from './plan.js';

/** Checks one stage: what is read off it, what it is judged by, and its waveform. */
export function checkStage(
  stage: Stage,
  documents: Played,
  { characteristics, gates }: Catalogue,
): readonly Problem[] {
  const readings = stage.reads.map((reading) => ({ ...reading, id: reading.characteristic }));
  const requests = stage.gates.map((request) => ({ ...request, id: request.gate }));
  return [
    ...readings.flatMap((r) => checkRequest(stage, 'characteristic', r, characteristics)),
    ...requests.flatMap((r) => checkRequest(stage, 'gate', r, gates)),
    ...readings.flatMap((r) => checkTakes(stage, r, characteristics)),
    ...checkRepeats(stage, gates),
    ...checkWaveform(stage, documents),
  ];
}

type Request = Omit<Reading, 'characteristic'> & { readonly id: string };
type Definition = Pick<Characteristic, 'id' | 'from' | 'power' | 'options'>;

/** Compares a reading or a gate request with its definition. */
function checkRequest(
  stage: Stage,
  noun: string,
  request: Request,
  definitions: readonly Definition[],
): readonly Problem[] {
  const definition = definitions.find(({ id }) => id === request.id);
  const refuse = refusalAt(request);
  if (definition === undefined) {
    const ids = definitions.map(({ id }) => id);
    const what = `Stage "${stage.id}" names the ${noun} "${request.id}", which is not known.`;
    return [refuse(what, writeInstead(request.id, ids, `Write a known ${noun}.`))];
  }
  const problems: Problem[] = [];
  const kind = kindRead(stage.pattern);
  const readable = definition.from.includes(kind) || definition.from.includes(stage.pattern.kind);
  if (!readable) {
    const what = `The ${noun} "${request.id}" cannot be read off the ${kind} of stage "${stage.id}", but off ${oneOf(definition.from)}.`;
    problems.push(refuse(what, 'Move it to a stage with such a pattern.'));
  }
  if (definition.power !== 'either' && definition.power !== stage.power) {
    const needed = definition.power === 'on' ? 'power applied' : 'no power';
    const what = `The ${noun} "${request.id}" needs ${needed}, unlike stage "${stage.id}".`;
    problems.push(refuse(what, `Move it to a stage with power: ${powerWord(definition.power)}.`));
  }
  return [...problems, ...checkOptions(noun, request, definition)];
}

function refusalAt(request: Request): (what: string, fix: string) => Problem {
  return (what, fix) => ({ code: 'procedure/reading', where: request.where, what, fix });
}

function powerWord(power: 'on' | 'off'): string {
  return power === 'on' ? 'applied' : 'none';
}

/** A list is read from its last part. */
function kindRead(pattern: Pattern): Pattern['kind'] {
  return pattern.kind === 'list' ? (pattern.parts.at(-1)?.kind ?? 'list') : pattern.kind;
}

function checkOptions(noun: string, request: Request, definition: Definition): readonly Problem[] {
  const refuse = refusalAt(request);
  const known = Object.keys(definition.options);
  const missing = known.filter(
    (key) => definition.options[key]?.default === undefined && !(key in request.options),
  );
  return [
    ...Object.keys(request.options).flatMap((key) => checkOption(key, noun, request, definition)),
    ...missing.map((key) =>
      refuse(
        `The ${noun} "${request.id}" lacks its option "${key}".`,
        `Write "${key}" with a value.`,
      ),
    ),
  ];
}

function checkOption(
  key: string,
  noun: string,
  request: Request,
  { options }: Definition,
): readonly Problem[] {
  const refuse = refusalAt(request);
  const option = options[key];
  if (option === undefined) {
    const known = Object.keys(options);
    const what = `The ${noun} "${request.id}" has no option "${key}".`;
    const otherwise = known.length === 0 ? 'Delete it.' : `Write ${oneOf(known)}, or delete it.`;
    return [refuse(what, writeInstead(key, known, otherwise))];
  }
  const written = request.dimensions?.[key] ?? option.dimension;
  if (written === option.dimension) return [];
  const unit = option.dimension === 'ratio' ? '%' : BASE_UNIT[option.dimension];
  const what = `The option "${key}" of "${request.id}" is a ${written}, but must be a ${option.dimension} in ${unit}.`;
  return [{ ...refuse(what, `Write it in ${unit}.`), code: 'procedure/unit-mismatch' }];
}

/** A gate that forbids more torque must be judged before more torque, not after all repeats. */
function checkRepeats(stage: Stage, gates: Catalogue['gates']): readonly Problem[] {
  if (stage.repeats === undefined || stage.power === 'off') return [];
  return stage.gates
    .filter(({ gate }) => gates.find(({ id }) => id === gate)?.stops === true)
    .map(({ gate, where }) => {
      const what = `Stage "${stage.id}" is played ${String(stage.repeats)} times, but its gate "${gate}" must be judged before more torque is applied.`;
      const fix = 'Judge it on a stage before, which is played once.';
      return { code: 'procedure/reading', where, what, fix };
    });
}

/** Compares the takes of a stage with what a characteristic needs. */
function checkTakes(
  stage: Stage,
  request: Request,
  definitions: readonly Characteristic[],
): readonly Problem[] {
  const definition = definitions.find(({ id }) => id === request.id);
  if (definition === undefined) return [];
  const settings = new Set(stage.takes.map(({ smoothing }) => smoothing));
  const refuse = refusalAt(request);
  const asked = request.options['smoothing'];
  const different = mostDifferent(stage);
  if (different < definition.takes) {
    const what = `The characteristic "${request.id}" needs ${definition.takes} settings, but stage "${stage.id}" has ${different}.`;
    return [refuse(what, 'List more settings under "smoothing", "slew" or "angle".')];
  }
  if (asked === undefined || settings.has(asked)) return [];
  const what = `The characteristic "${request.id}" asks for smoothing ${asked}, which stage "${stage.id}" does not play.`;
  return [refuse(what, `Ask for one of ${[...settings].join(', ')}.`)];
}

/** How many different values the setting has in which the takes of a stage differ. */
function mostDifferent({ takes }: Stage): number {
  const of = (key: 'smoothing' | 'slew' | 'angle'): number =>
    new Set(takes.map((settings) => settings[key])).size;
  return Math.max(of('smoothing'), of('slew'), of('angle'));
}

const BOUND_CODES: Readonly<Record<FindingKind, ErrorCode>> = {
  'not-finite': 'quantity/not-finite',
  ceiling: 'procedure/ceiling',
  slew: 'procedure/slew',
  loss: 'procedure/energy',
  ringing: 'procedure/reading',
  'off-grid': 'document/value',
  'too-fast': 'document/value',
  edge: 'document/value',
  lines: 'document/value',
};

const BOUND_FIXES: Readonly<Record<FindingKind, string>> = {
  'not-finite': 'Correct the pattern or its recording.',
  ceiling: 'Lower the torque of the pattern; raise the ceiling only after a risk assessment.',
  slew: 'Make the pattern slower or smaller.',
  loss: 'Make the pattern shorter or smaller.',
  ringing: 'Choose an edge of 1.5 periods of the stand resonance.',
  'off-grid': 'Choose a time that is a whole number of updates.',
  'too-fast': 'Lower the frequency, or raise "updates".',
  edge: 'Shorten the edge, or hold the levels longer.',
  lines: 'Ask for fewer lines, a wider range or a longer period.',
};

/** Compiles the pattern and holds every sample against ceiling, slew and stand. */
function checkWaveform(stage: Stage, documents: Played): readonly Problem[] {
  const findings = checkBounds(stage.pattern, stage.updates, allowancesOf(stage, documents));
  return findings.map((finding) => ({
    code: BOUND_CODES[finding.kind],
    where: stage.where,
    what: `Stage "${stage.id}" ${wording(finding)}.`,
    fix: BOUND_FIXES[finding.kind],
  }));
}

function allowancesOf(stage: Stage, { procedure, limits, station }: Played): Allowances {
  const { ceiling, model } = procedure;
  const row = limits?.rows.find(
    ({ stage: id, characteristic }) => id === stage.id && characteristic === 'shaft-overshoot',
  );
  if (row === undefined || row.tolerance.kind === 'at-least') return { ceiling, slew: model.slew };
  // Half of the limit is left to the item.
  const ringing = { resonance: station.stand.resonance, allowed: row.tolerance.upper / 2 };
  return { ceiling, slew: model.slew, ringing };
}

function wording({ kind, observed, allowed, unit, at }: Finding): string {
  const seen = `${shown(observed)} ${unit}`.trim();
  const may = `${shown(allowed)} ${unit}`.trim();
  const time = `at ${shown(at)} s`;
  switch (kind) {
    case 'not-finite':
      return `has a sample without a value ${time}`;
    case 'ringing':
      return `leaves the stand ringing by ${shown(observed * 100)} % of a step, but may leave ${shown(allowed * 100)} %`;
    case 'off-grid':
      return `has a time of ${seen}, which is no whole number of updates; the nearest is ${may}`;
    case 'lines':
      return `asks for ${seen}, but its range has room for ${shown(allowed)}`;
    case 'ceiling':
      return `reaches ${seen} ${time}, but the ceiling is ${may}`;
    case 'slew':
    case 'loss':
    case 'too-fast':
    case 'edge':
      return `asks for ${seen} (${kind}) ${time}, but may ask for ${may}`;
  }
}

function shown(value: number): string {
  return String(Number(value.toPrecision(6)));
}
