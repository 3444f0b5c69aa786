import type { Problem } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import {
  elementDate,
  elementProblems,
  isHumanReadable,
  readElements,
  readHumanReadable,
  SYMBOLOGIES,
  type ElementsRead,
} from './gs1.js';
import {
  refused,
  wrong,
  type ElementString,
  type Known,
  type Label,
  type LabelledModel,
  type Reading,
} from './identity.js';
import { fits, mangled, partial, serialProblems } from './serial.js';
import { oddCharacters, quoted, SEPARATOR, textProblems, withSeparators } from './wedge.js';

/** Takes a text for what it says. */
export function interpret(line: string, known: Known): Reading {
  const problems = textProblems(line);
  if (isNonEmpty(problems)) return refused(problems);
  const identifier = identifierOf(line);
  const body = withSeparators(line.slice(identifier.length));
  const isScanned = identifier !== '' || body.includes(SEPARATOR);
  const means = isScanned ? 'scanned' : 'typed';
  if (SYMBOLOGIES.has(identifier)) return fromElements(elementsIn(body, known), means, known);
  if (identifier === '' && isHumanReadable(body)) {
    return fromElements(readHumanReadable(body, known.year), 'typed', known);
  }
  if (!mayBeElements(body)) return fromPlain(line.slice(identifier.length), means, known);
  const read = elementsIn(body, known);
  if (identifier === '') return fromElements(read, means, known);
  const what = `The scanner says ${quoted(identifier)}, which is no GS1 code, but ${quoted(body)} is made of elements.`;
  const fix = `Have the label printed as one of: ${[...SYMBOLOGIES.values()].join(', ')}.`;
  return refused([wrong(what, fix)], read.elements);
}

/** The symbology identifier a line begins with; "" without one. */
export function identifierOf(line: string): string {
  return /^\][A-Za-z][0-9A-Za-z]/.exec(line)?.[0] ?? '';
}

/** Says whether a line begins with the identifier of a GS1 code. */
export function isNamed(line: string): boolean {
  return SYMBOLOGIES.has(identifierOf(line));
}

/** Elements without their identifier: a separator in them, or an SSCC or GTIN first. */
function mayBeElements(body: string): boolean {
  return body.includes(SEPARATOR) || /^0[0-2]\d{12}/.test(body);
}

/** Some scanners send the FNC1 that begins a GS1 code as a separator. */
function elementsIn(body: string, { year }: Known): ElementsRead {
  return readElements(body.startsWith(SEPARATOR) ? body.slice(1) : body, year);
}

function fromElements(read: ElementsRead, means: Label['means'], known: Known): Reading {
  const { elements } = read;
  const valueOf = (ai: string): string | undefined => elements.find((e) => e.ai === ai)?.value;
  const [gtin, serial, revision] = [valueOf('01'), valueOf('21'), valueOf('240')];
  const named = modelOfGtin(gtin, revision, known);
  const model = named ?? known.models.find((m) => fits(serial ?? '', m)) ?? begunBy(serial, known);
  const problems = [
    ...read.problems,
    ...repeated(elements),
    ...(gtin === undefined ? [missing('GTIN (01)')] : []),
    ...(serial === undefined ? [missing('serial (21)')] : []),
    ...(gtin !== undefined && named === undefined ? unknownGtin(gtin, known) : []),
    ...(serial === undefined ? [] : serialOfModel(serial, model, known)),
    ...(revision === undefined || model === undefined ? [] : revisionProblems(revision, model)),
  ];
  if (isNonEmpty(problems)) return refused(problems, elements);
  if (model === undefined || serial === undefined || gtin === undefined) {
    throw new Error('a label without model, serial or GTIN has no problem');
  }
  const made = elements.find((e) => e.ai === '11');
  const [lot, date] = [
    valueOf('10'),
    made === undefined ? undefined : elementDate(made, known.year),
  ];
  const label: Label = {
    ...{ serial, model, means, gtin, elements },
    ...(lot === undefined ? {} : { lot }),
    ...(revision === undefined ? {} : { revision }),
    ...(date === undefined ? {} : { date }),
    findings: [
      ...foundAbout(means),
      revision === undefined
        ? `The label names no hardware revision (240); the procedure is for ${model.revision}.`
        : `The hardware revision ${revision} is that of the procedure.`,
    ],
  };
  return { kind: 'label', label };
}

function foundAbout(means: Label['means']): readonly string[] {
  if (means === 'scanned') return [];
  return ['Nothing in the text shows that a scanner sent it; it counts as typed.'];
}

/** Finds the model of a GTIN; of several the one of the revision, if there is one. */
function modelOfGtin(
  gtin: string | undefined,
  revision: string | undefined,
  { models }: Known,
): LabelledModel | undefined {
  const same = models.filter((m) => m.gtin.padStart(14, '0') === gtin);
  return same.find((m) => m.revision === revision) ?? same[0];
}

function repeated(elements: readonly ElementString[]): readonly Problem[] {
  const ais = elements.map((e) => e.ai);
  const twice = new Set(ais.filter((ai, i) => ais.indexOf(ai) !== i));
  return [...twice].map((ai) => {
    const values = elements.filter((e) => e.ai === ai).map((e) => quoted(e.value));
    const what = `(${ai}) stands ${values.length} times, as ${values.join(' and ')}: two scans run together.`;
    return wrong(what, 'Scan one label.');
  });
}

function missing(what: string): Problem {
  const fix = 'Scan the label again; when it reads the same, scan the label of the item itself.';
  return wrong(`The scan holds no ${what}: a partial scan, or another label.`, fix);
}

/** A GTIN that is damaged in itself has its own problem and is no unknown model. */
function unknownGtin(gtin: string, { models, year }: Known): readonly Problem[] {
  if (elementProblems({ ai: '01', value: gtin }, year).length > 0) return [];
  const there = listed(models.map((m) => `${m.gtin} of ${m.code}`));
  const what = `GTIN ${quoted(gtin)} is of no model with a procedure; there are: ${there}.`;
  const fix = 'Scan the label of the item, or have a procedure for its model approved.';
  return [{ code: 'serial/unknown-model', what, fix }];
}

function listed(names: readonly string[]): string {
  return names.length === 0 ? 'none' : [...new Set(names)].join(', ');
}

function serialOfModel(
  serial: string,
  model: LabelledModel | undefined,
  { models }: Known,
): readonly Problem[] {
  if (model === undefined) return [mangled(serial) ?? []].flat();
  const other = models.find((m) => m.code !== model.code && fits(serial, m));
  if (fits(serial, model) || other === undefined) return serialProblems(serial, model);
  const what = `Serial ${quoted(serial)} is of model ${other.code}, but the GTIN is that of ${model.code}.`;
  return [wrong(what, 'Set the item aside: its label contradicts itself.')];
}

function revisionProblems(revision: string, model: LabelledModel): readonly Problem[] {
  if (revision === model.revision) return [];
  const what = `The label says hardware revision ${quoted(revision)}, but the procedure of model ${model.code} is for ${quoted(model.revision)}.`;
  const fix = 'Set the item aside until a procedure for its revision is approved.';
  return [{ code: 'serial/unknown-model', what, fix }];
}

function fromPlain(serial: string, means: Label['means'], known: Known): Reading {
  const { models } = known;
  const [model, other] = models
    .filter((m) => fits(serial, m))
    .filter((m, i, all) => all.findIndex((first) => first.code === m.code) === i);
  if (model !== undefined && other === undefined) {
    const revision = `A plain serial names no hardware revision; the procedure is for ${model.revision}.`;
    const findings = [...foundAbout(means), revision];
    return { kind: 'label', label: { serial, model, means, elements: [], findings } };
  }
  if (model !== undefined && other !== undefined) {
    const what = `${quoted(serial)} is a serial of model ${model.code} and of ${other.code}.`;
    const fix = 'Scan the GS1 code of the item, whose GTIN tells the two apart.';
    return refused([{ code: 'serial/unknown-model', what, fix }]);
  }
  return refused([plainProblem(serial, known)]);
}

/** Finds the model whose code begins a serial, however it goes on; the longest code if several do. */
function begunBy(serial: string | undefined, { models }: Known): LabelledModel | undefined {
  const [longest] = models
    .filter((m) => serial?.startsWith(m.code) === true)
    .sort((a, b) => b.code.length - a.code.length);
  return longest;
}

function plainProblem(serial: string, known: Known): Problem {
  const { models } = known;
  const begun = begunBy(serial, known);
  const [told] = begun === undefined ? [] : serialProblems(serial, begun);
  const short = models.map((m) => partial(serial, m)).find((p) => p !== undefined);
  const reason = mangled(serial) ?? short ?? told;
  if (reason !== undefined) return reason;
  for (let i = 1; i < serial.length; i++) {
    const end = serial.slice(i);
    if (!models.some((m) => fits(end, m))) continue;
    const what = `${quoted(serial.slice(0, i))} stands before serial ${quoted(end)}: a partial scan, or something typed before it.`;
    return wrong(what, 'Scan the label again, with nothing typed before.');
  }
  const codes = listed(models.map((m) => m.code));
  const odd = oddCharacters(serial);
  const holds = odd === '' ? '' : ` and holds ${odd}`;
  const what = `${quoted(serial)} begins like no serial of a model with a procedure${holds}; there are: ${codes}.`;
  const fix = 'Scan the label of the item, or have a procedure for its model approved.';
  return { code: 'serial/unknown-model', what, fix };
}
