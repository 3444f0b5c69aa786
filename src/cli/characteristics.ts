import { EXIT } from '../base/codes.js';
import { StallmarkError, type Problem } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import { writeInstead } from '../base/report.js';
import { BASE_UNIT, inUnit, unitOf, type Dimension } from '../base/units.js';
import { PATTERN_KINDS, type Pattern } from '../procedure/procedure.js';
import { CHARACTERISTICS, characteristic } from '../scoring/catalogue.js';
import type { Characteristic, Side } from '../scoring/scoring.js';
import type { Terminal } from './terminal.js';

export interface CharacteristicsOptions {
  readonly json?: true;
  readonly markdown?: true;
}

/** What the symbols of the formulas mean, in the order in which they are told. */
const SYMBOLS: readonly (readonly [string, string])[] = [
  ['τ', 'torque at the shaft less the unloaded zero'],
  ['τᵢ', 'torque from the motor current, Kt · i'],
  ['u', 'command as the item latched it'],
  ['u₀', 'the shape behind the command, before its source held it'],
  ['H', 'frequency response of torque over u, delays of the channels taken out'],
  ['G', 'frequency response of the stand, from its model; fₙ, ζ its resonance and damping'],
  ['Kt, i', 'torque constant, current as amplitude'],
  ['U, T', 'supply voltage, winding temperature'],
];

/** Prints what each characteristic is, all of them or those named. */
export function listCharacteristics(
  ids: readonly string[],
  options: CharacteristicsOptions,
  to: Terminal,
): number {
  const entries = ids.length === 0 ? CHARACTERISTICS : chosen(ids);
  if (options.json === true) to.out(JSON.stringify(entries.map(factsOf), null, 2));
  else if (options.markdown === true) to.out(asMarkdown(entries).trimEnd());
  else to.out(asText(entries, to.width));
  return EXIT.conforming;
}

/** Finds characteristics by their ids. @throws usage/argument for each that is not known. */
export function chosen(ids: readonly string[]): readonly Characteristic[] {
  const known = CHARACTERISTICS.map(({ id }) => id);
  const problems = ids
    .filter((id) => characteristic(id) === undefined)
    .map((id): Problem => ({
      code: 'usage/argument',
      what: `There is no characteristic "${id}".`,
      fix: writeInstead(id, known, 'List them with: stallmark characteristics.'),
    }));
  if (isNonEmpty(problems)) throw new StallmarkError(problems);
  return ids.flatMap((id) => characteristic(id) ?? []);
}

/** One characteristic as people and programs read it: words, units and lists, no functions. */
export interface Facts {
  readonly id: string;
  readonly name: string;
  readonly definition: string;
  readonly formula: string;
  readonly unit: string;
  readonly side: Side;
  readonly stimulus: {
    readonly patterns: readonly Pattern['kind'][];
    readonly power: Characteristic['power'];
    /** Fewest different settings of smoothing. */
    readonly settings: number;
  };
  readonly options: readonly OptionFacts[];
  /** Gates of other stages on which it depends; those of its own stage always count. */
  readonly gates: readonly string[];
  readonly shifts: string;
  readonly source: string;
  readonly check: string;
}

/** An option with its default as it is written in a procedure; no default when it must be given. */
interface OptionFacts {
  readonly name: string;
  readonly unit: string;
  readonly default?: string;
}

/** Returns what is told of a characteristic. */
export function factsOf(entry: Characteristic): Facts {
  const { id, name, definition, formula, unit, side, gates, shifts, source, check } = entry;
  const stimulus = { patterns: entry.from, power: entry.power, settings: entry.takes };
  const options = Object.entries(entry.options).map(([option, declared]): OptionFacts => {
    const written = unitFor(declared.dimension, declared.default);
    const unset = declared.default === undefined;
    const value = unset ? {} : { default: written.text };
    return { name: option, unit: written.unit, ...value };
  });
  return {
    ...{ id, name, definition, formula, unit, side, stimulus, options },
    ...{ gates, shifts, source, check },
  };
}

/** The units in which people write an option, the one first that leaves no fraction too small. */
const WRITTEN: Partial<Readonly<Record<Dimension, readonly string[]>>> = {
  ratio: ['%'],
  time: ['s', 'ms'],
  torque: ['N·m', 'mN·m'],
  slew: ['N·m/ms'],
};

function unitFor(
  dimension: Dimension,
  value: number | undefined,
): { readonly unit: string; readonly text: string } {
  const symbols = WRITTEN[dimension] ?? [BASE_UNIT[dimension]];
  const size = Math.abs(value ?? 1);
  const unit =
    symbols.find((symbol) => size === 0 || inUnit(size, unitOf(symbol)) >= 0.1) ??
    symbols.at(-1) ??
    '1';
  return { unit, text: `${String(inUnit(value ?? 0, unitOf(unit)))} ${unit}` };
}

const KIND_WORDS: Readonly<Record<Pattern['kind'], string>> = {
  hold: 'a held level',
  ramp: 'a ramp',
  step: 'steps between levels',
  triangle: 'a triangle',
  staircase: 'a shape held by a slower source',
  burst: 'a burst of cycles',
  chirp: 'a chirp',
  sine: 'a sine',
  multisine: 'a multisine',
  'pseudo-random': 'pseudo-random levels',
  recorded: 'a recording',
  silence: 'a source that falls silent',
  'virtual-spring': 'a virtual spring with a wheel',
  list: 'a list of patterns',
};

function patternWords(kinds: readonly Pattern['kind'][]): string {
  const missing = PATTERN_KINDS.filter((kind) => !kinds.includes(kind));
  const named = (list: readonly Pattern['kind'][]): string =>
    list.map((kind) => KIND_WORDS[kind]).join(' or ');
  if (missing.length === 0) return 'any pattern';
  return missing.length < kinds.length ? `any pattern but ${named(missing)}` : named(kinds);
}

const POWER_WORDS: Readonly<Record<Characteristic['power'], string>> = {
  on: 'power applied',
  off: 'no power',
  either: 'with power or without',
};

const SIDE_WORDS: Readonly<Record<Side, string>> = {
  motor: 'motor side: torque from the current',
  shaft: 'shaft side: torque at the transducer',
  electrical: 'electrical: supply or voltage',
  thermal: 'thermal: winding temperature',
  acoustic: 'acoustic: sound pressure',
  link: 'link: as the device reports it, or its command channel',
};

/** The lines under a definition: a label and what it tells. */
function linesOf({ stimulus, options, ...told }: Facts): readonly (readonly [string, string])[] {
  const settings =
    stimulus.settings > 1 ? `, ${stimulus.settings} or more settings of smoothing` : '';
  const written = options.map(({ name, unit, default: value }) =>
    value === undefined ? `${name} in ${unit}, must be given` : `${name} ${value}`,
  );
  const own = 'those of its own stage';
  return [
    ['formula', told.formula],
    ['unit', told.unit === '1' ? 'none, a ratio' : told.unit],
    ['stimulus', `${patternWords(stimulus.patterns)}; ${POWER_WORDS[stimulus.power]}${settings}`],
    ['options', written.length === 0 ? 'none' : written.join('; ')],
    ['side', SIDE_WORDS[told.side]],
    ['gates', told.gates.length === 0 ? own : `${own}; ${told.gates.join(', ')} of any stage`],
    ['shifted by', told.shifts],
    ['source', told.source],
    ['check', told.check],
  ];
}

const NARROWEST = 40;
const WIDEST = 120; // longer lines are hard to follow
const LABEL = 14; // columns of the label with its indent

/** Lists characteristics for a window of so many columns. */
export function asText(entries: readonly Characteristic[], width: number): string {
  const columns = Math.min(WIDEST, Math.max(NARROWEST, width));
  const row = (label: string, text: string): string =>
    wrapped(text, columns - LABEL)
      .map((line, i) => `${(i === 0 ? `  ${label}` : '').padEnd(LABEL)}${line}`)
      .join('\n');
  const blocks = entries.map((entry) => {
    const facts = factsOf(entry);
    return [
      `${facts.id} – ${facts.name}`,
      ...wrapped(facts.definition, columns - 2).map((line) => `  ${line}`),
      ...linesOf(facts).map(([label, text]) => row(label, text)),
    ].join('\n');
  });
  const symbols = ['Symbols', ...SYMBOLS.map(([symbol, meaning]) => row(symbol, meaning))];
  return [...blocks, symbols.join('\n')].join('\n\n');
}

/** Breaks a text between words; a word longer than a line stands by itself. */
export function wrapped(text: string, columns: number): readonly string[] {
  const lines: string[] = [];
  let line = '';
  for (const word of text.split(' ')) {
    if (line !== '' && line.length + 1 + word.length > columns) {
      lines.push(line);
      line = word;
    } else line = line === '' ? word : `${line} ${word}`;
  }
  return [...lines, line];
}

/** Writes the same as a document. */
export function asMarkdown(entries: readonly Characteristic[]): string {
  const facts = entries.map(factsOf);
  const overview = facts.map(
    ({ id, name, unit, side, stimulus }) =>
      `| [${id}](#${id}) | ${name} | ${unit} | ${side} | ${patternWords(stimulus.patterns)} |`,
  );
  const sections = facts.map((one) =>
    [
      `## ${one.id}`,
      '',
      `**${one.name}.** ${one.definition}`,
      '',
      ...linesOf(one).map(([label, text]) => `- ${label}: ${asCode(label, text)}`),
    ].join('\n'),
  );
  return `${[
    '# Characteristics',
    '',
    'Written by `stallmark characteristics --markdown` from the catalogue in `src/scoring`; do not edit.',
    '',
    ...SYMBOLS.map(([symbol, meaning]) => `- ${symbol}: ${meaning}`),
    '',
    '| id | name | unit | side | stimulus |',
    '| - | - | - | - | - |',
    ...overview,
    '',
    sections.join('\n\n'),
  ].join('\n')}\n`;
}

/** Signs in formulas mean something else in a document, so they stand as code. */
function asCode(label: string, text: string): string {
  return label === 'formula' || label === 'check' ? `\`${text}\`` : text;
}
