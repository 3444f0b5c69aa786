import { sha256 } from '../base/canonical.js';
import { DECISION_RULES } from './limits.js';
import { HAZARDS } from './procedure.js';
import { readRecording } from './recording.js';
import { isSimulated } from './station.js';
import { subjectOf } from './structure.js';
import type { Values } from './values.js';

/** Gives the bytes of a file that lies beside a procedure, or undefined when there is none. */
export type Recordings = (name: string) => Uint8Array | undefined;

/** Checks of a procedure that its schema cannot express. Adds every problem to `values`. */
export function checkProcedure(values: Values, recordings: Recordings): void {
  checkDate(values, '/date');
  checkDate(values, '/approved/date');
  checkModel(values);
  checkOrder(values, '/rated', '/ceiling', 'equal');
  checkOrder(values, '/ambient/from', '/ambient/to');
  checkOrder(values, '/supply/from', '/supply/to');
  checkOrder(values, '/humidity/from', '/humidity/to');
  checkWhole(values, '/humidity/to');
  checkWarnings(values);
  checkUnique(values, values.items('/stages'), '/id');
  for (const stage of values.items('/stages')) {
    checkPower(values, stage);
    for (const pattern of values.list(`${stage}/pattern`))
      checkPattern(values, pattern, recordings);
  }
}

function subject(values: Values, pointer: string): string {
  return subjectOf(pointer, values.located.value);
}

/** The grammar of dates knows no calendar: 2026-02-30 follows it. */
export function checkDate(values: Values, pointer: string): void {
  const text = values.textAt(pointer);
  if (text === undefined || !/^\d{4}-\d{2}-\d{2}/.test(text)) return;
  const day = text.slice(0, 10);
  const instant = Date.parse(`${day}T00:00:00Z`);
  if (Number.isFinite(instant) && new Date(instant).toISOString().startsWith(day)) return;
  const what = `${subject(values, pointer)} is ${day}, which is no day of the calendar.`;
  values.add('document/value', pointer, what, 'Give a day that exists.');
}

export function checkUnique(values: Values, items: readonly string[], key: string): void {
  const seen = new Set<string>();
  for (const item of items) {
    const id = values.textAt(`${item}${key}`);
    if (id === undefined) continue;
    if (seen.has(id)) {
      const noun = subject(values, item).replace(/ ".*$/, '').toLowerCase();
      const what = `A second ${noun} is called "${id}", but names stand once.`;
      values.add('procedure/duplicate', `${item}${key}`, what, 'Give it a name of its own.');
    }
    seen.add(id);
  }
}

/** Refuses a lower end that does not lie below its upper end. */
export function checkOrder(values: Values, lower: string, upper: string, may?: 'equal'): void {
  const from = values.measureAt(lower);
  const to = values.measureAt(upper);
  if (from === undefined || to === undefined || from.unit.dimension !== to.unit.dimension) return;
  if (from.value < to.value || (may === 'equal' && from.value === to.value)) return;
  const relation = may === 'equal' ? 'must not exceed' : 'must be below';
  const what = `${subject(values, lower)} is ${values.text(lower)}, but ${relation} ${values.text(upper)}.`;
  values.add('document/value', lower, what, 'Correct one of the two.');
}

function checkModel(values: Values): void {
  const gtin = values.textAt('/model/gtin');
  if (gtin !== undefined && /^\d{8,14}$/.test(gtin)) {
    const expected = checkDigit(gtin.slice(0, -1));
    if (!gtin.endsWith(expected)) {
      const what = `The GTIN ${gtin} ends with ${gtin.slice(-1)}, but its check digit is ${expected}.`;
      values.add('document/value', '/model/gtin', what, 'Copy the number from the label again.');
    }
  }
  const serial = values.textAt('/model/serial');
  if (serial === undefined) return;
  const fault = serialFault(serial, values.textAt('/model/code'));
  if (fault === undefined) return;
  const what = `The serial grammar ${serial} ${fault}.`;
  const fix = `Write an expression such as '^${values.textAt('/model/code') ?? 'H12'}-[0-9]{2}-[0-9]{5}$'.`;
  values.add('document/value', '/model/serial', what, fix);
}

/**
 * Reckons the check digit of a GTIN from the digits before it.
 *
 * Source: GS1 General Specifications, 7.9.1, standard check digit calculation (from memory).
 * Check: tests/unit/schema.test.ts.
 */
export function checkDigit(digits: string): string {
  const sum = Array.from(digits)
    .reverse()
    .reduce((total, digit, i) => total + Number(digit) * (i % 2 === 0 ? 3 : 1), 0);
  return String((10 - (sum % 10)) % 10);
}

function serialFault(grammar: string, code: string | undefined): string | undefined {
  if (!grammar.startsWith('^') || !grammar.endsWith('$') || grammar.endsWith('\\$')) {
    return 'does not run from ^ to $, so that it would match a part of a serial';
  }
  if (grammar.includes('|')) return 'holds alternatives, which may escape from ^ and $';
  if (code !== undefined && !grammar.startsWith(`^${code}`)) {
    return `does not begin with the model code ${code}`;
  }
  try {
    new RegExp(grammar, 'u');
    return undefined;
  } catch (cause) {
    // The message of the engine is the finding; nothing is hidden.
    const reason = cause instanceof Error ? cause.message.replace(/^.*: /, '') : String(cause);
    return `is no regular expression (${reason})`;
  }
}

const SIGNS: Readonly<Record<string, string>> = { crushing: 'W024', 'sudden-torque': 'W001' };

function checkWarnings(values: Values): void {
  const warnings = values.items('/warnings');
  checkUnique(values, warnings, '/hazard');
  const languages = new Set(
    warnings.flatMap((w) => values.members(`${w}/texts`).map(([tag]) => tag)),
  );
  languages.add('en');
  for (const warning of warnings) {
    const hazard = values.textAt(`${warning}/hazard`) ?? '';
    const sign = values.textAt(`${warning}/sign`);
    const right = SIGNS[hazard];
    if (right !== undefined && sign !== undefined && sign !== right) {
      const what = `The warning "${hazard}" carries the sign ${sign}, but its sign is ${right}.`;
      values.add('procedure/warning', `${warning}/sign`, what, `Write ${right}.`);
    }
    const texts = values.members(`${warning}/texts`).map(([tag]) => tag);
    for (const tag of languages) {
      if (texts.length === 0 || texts.includes(tag)) continue;
      const why = tag === 'en' ? 'English is mandatory' : 'another warning has it';
      const what = `The warning "${hazard}" has no text in "${tag}", but ${why}.`;
      const fix = `Write heading, hazard, consequence and avoidance in "${tag}".`;
      values.problems.push({
        code: 'procedure/warning',
        where: values.place(`${warning}/texts`),
        what,
        fix,
      });
    }
  }
  if (!values.has('/warnings')) return;
  for (const hazard of HAZARDS) {
    if (warnings.some((w) => values.textAt(`${w}/hazard`) === hazard)) continue;
    const what = `The warning "${hazard}" is missing, but both hazards are mandatory.`;
    const fix = `Write the warning "${hazard}" with its signal word and texts.`;
    values.problems.push({
      code: 'procedure/warning',
      where: values.place('/warnings'),
      what,
      fix,
    });
  }
}

function checkPower(values: Values, stage: string): void {
  const id = values.textAt(`${stage}/id`) ?? '';
  const lists = ['smoothing', 'fixture', 'angle', 'slew'].filter((key) =>
    Array.isArray(values.at(`${stage}/${key}`)),
  );
  if (lists.length > 1) {
    const what = `Stage "${id}" lists ${lists.join(' and ')}, but takes differ in one setting only.`;
    values.add('document/value', `${stage}/${lists[0] ?? ''}`, what, 'List one of them.');
  }
  if (values.at(`${stage}/power`) === 'applied') {
    const fixtures = values.list(`${stage}/fixture`);
    const wrong = fixtures.find((f) => values.at(f) !== 'coupled');
    if (wrong === undefined) return;
    const what = `Stage "${id}" applies power with the fixture "${values.text(wrong)}", but torque needs the coupled one.`;
    values.add('document/value', wrong, what, 'Write coupled, or power: none.');
    return;
  }
  if (values.at(`${stage}/power`) !== 'none') return;
  if (values.has(`${stage}/slew`)) {
    const what = `Stage "${id}" is without power, but asks for a slew setting.`;
    values.add('document/value', `${stage}/slew`, what, 'Delete it, or write power: applied.');
  }
  for (const part of values.list(`${stage}/pattern`)) {
    const kind = values.textAt(`${part}/kind`);
    const still = kind === 'hold' && (values.measureAt(`${part}/level`)?.value ?? 0) === 0;
    if (still || kind === undefined) continue;
    const where = kind === 'hold' ? `${part}/level` : `${part}/kind`;
    const what = `Stage "${id}" is without power, but asks for ${kind === 'hold' ? 'torque' : `a ${kind}`}.`;
    values.add(
      'document/value',
      where,
      what,
      'Write kind: hold with level: 0 N·m, or power: applied.',
    );
  }
}

/** Patterns that ask more of the bench than a command stand alone in their stage. */
const ALONE: readonly string[] = ['silence', 'virtual-spring'];

function checkPattern(values: Values, pattern: string, recordings: Recordings): void {
  const kind = values.textAt(`${pattern}/kind`);
  if (kind !== undefined && ALONE.includes(kind) && /\/\d+$/.test(pattern)) {
    const what = `A ${kind} stands in a list of patterns, but is played alone.`;
    values.add('document/value', `${pattern}/kind`, what, 'Give it a stage of its own.');
  }
  if (kind === 'virtual-spring') {
    checkOrder(values, `${pattern}/stiffness/from`, `${pattern}/stiffness/to`, 'equal');
    checkRungs(values, pattern);
  }
  if (kind === 'multisine') checkOrder(values, `${pattern}/from`, `${pattern}/to`);
  if (kind === 'staircase') checkPattern(values, `${pattern}/of`, recordings);
  if (kind !== 'recorded') return;
  const file = values.textAt(`${pattern}/file`);
  if (file === undefined || !/^[A-Za-z0-9][\w.-]*\.csv$/.test(file)) return;
  const bytes = recordings(file);
  if (bytes === undefined) {
    const what = `There is no recording "${file}" beside the procedure.`;
    values.add(
      'procedure/recording',
      `${pattern}/file`,
      what,
      'Put the file there or correct the name.',
    );
    return;
  }
  const digest = values.textAt(`${pattern}/digest`);
  const actual = sha256(bytes);
  if (digest !== undefined && digest !== actual) {
    const what = `The recording "${file}" has the digest ${actual}, but the procedure was written for ${digest}.`;
    const fix = 'Restore the file, or write the new digest and have the procedure approved again.';
    values.add('procedure/recording', `${pattern}/digest`, what, fix);
  }
  const recording = readRecording(bytes, file);
  if (!('samples' in recording)) {
    values.add(recording.code, `${pattern}/file`, recording.what, recording.fix);
  }
}

/** A ladder that never climbs, or climbs in too many rungs, is refused. */
function checkRungs(values: Values, pattern: string): void {
  const [from, to, factor] = ['from', 'to', 'factor'].map(
    (key) => values.measureAt(`${pattern}/stiffness/${key}`)?.value,
  );
  if (from === undefined || to === undefined || factor === undefined) return;
  if (from === to || (factor > 1 && Math.log(to / from) / Math.log(factor) < MOST_RUNGS)) return;
  const what = `The ladder of stiffness climbs by a factor of ${factor}, but needs a factor above 100 % that ends in at most ${MOST_RUNGS} rungs.`;
  const fix = 'Write a factor such as 115 %, or a nearer end.';
  values.add('document/value', `${pattern}/stiffness/factor`, what, fix);
}

const MOST_RUNGS = 50;

/** Checks of a limits file that its schema cannot express. Adds every problem to `values`. */
export function checkLimits(values: Values): void {
  checkDate(values, '/date');
  checkDate(values, '/approved/date');
  checkWhole(values, '/warn-above');
  for (const [name, row] of values.members('/rows')) {
    const from = values.measureAt(`${row}/from`);
    const to = values.measureAt(`${row}/to`);
    if (!values.has(`${row}/from`) && !values.has(`${row}/to`)) {
      const what = `The limit "${name}" has neither "from" nor "to".`;
      values.problems.push({
        code: 'limits/empty',
        where: values.place(row),
        what,
        fix: 'Write at least one end.',
      });
    }
    if (!values.has(`${row}/rule`) && !values.has('/rule')) {
      const what = `The limit "${name}" has no decision rule, and the file has no default.`;
      const fix = `Write rule: with one of ${DECISION_RULES.join(', ')}, here or once for the file.`;
      values.problems.push({ code: 'limits/rule', where: values.place(row), what, fix });
    }
    checkProcess(values, name, row);
    checkWhole(values, `${row}/warn-above`);
    if (from === undefined || to === undefined) continue;
    if (from.unit.symbol !== to.unit.symbol) {
      const what = `The limit "${name}" runs from ${values.text(`${row}/from`)} to ${values.text(`${row}/to`)}, but both ends must be in one unit.`;
      values.add(
        'procedure/unit-mismatch',
        `${row}/to`,
        what,
        `Write both in ${from.unit.symbol}.`,
      );
    } else if (from.value >= to.value) {
      const what = `The limit "${name}" runs from ${values.text(`${row}/from`)} to ${values.text(`${row}/to`)}, but must rise.`;
      values.add(
        'limits/order',
        `${row}/from`,
        what,
        'Write the lower end as "from", the upper one as "to".',
      );
    }
  }
}

/** A share of something is not more than all of it. */
function checkWhole(values: Values, at: string): void {
  const stated = values.measureAt(at);
  if (stated?.unit.dimension !== 'ratio' || !(stated.value > 1)) return;
  const what = `${subject(values, at)} is ${values.text(at)}, but must be at most 100 %.`;
  values.add('document/value', at, what, 'Give a share such as 75 %.');
}

/** A spread must be one, and a quantity of the kind that is limited. */
function checkProcess(values: Values, name: string, row: string): void {
  const limit = values.measureAt(`${row}/from`) ?? values.measureAt(`${row}/to`);
  for (const key of ['mean', 'sd']) {
    const at = `${row}/process/${key}`;
    const stated = values.measureAt(at);
    if (limit === undefined || stated === undefined) continue;
    if (stated.unit.dimension !== limit.unit.dimension) {
      const what = `The ${key} of the process of "${name}" is ${values.text(at)}, a ${stated.unit.dimension}, but its limit is a ${limit.unit.dimension}.`;
      values.add('procedure/unit-mismatch', at, what, `Write it in ${limit.unit.symbol}.`);
    } else if (key === 'sd' && !(stated.value > 0)) {
      const what = `The sd of the process of "${name}" is ${values.text(at)}, but must be above 0.`;
      values.add('document/value', at, what, 'Write the spread, or delete "process".');
    }
  }
}

/** Checks of a bench description that its schema cannot express. Adds every problem to `values`. */
export function checkBench(values: Values): void {
  checkStands(values);
  checkReferencePolicy(values);
  checkStopPolicy(values);
  checkIntermediatePolicy(values);
}

/** Only a simulated bench may test items on instruments that nobody checked in between. */
function checkIntermediatePolicy(values: Values): void {
  const kind = values.textAt('/kind');
  const at = '/checks/intermediate/required';
  if (kind === undefined || isSimulated({ kind }) || values.at(at) !== false) return;
  const what = `A bench of kind "${kind}" must require intermediate checks, but says required: false.`;
  const fix = 'Write checks: intermediate: { required: true }, or leave it out.';
  values.add('document/value', '/kind', what, fix);
}

/** Only a simulated bench may test items without a check that proves it. */
function checkReferencePolicy(values: Values): void {
  const kind = values.textAt('/kind');
  const at = '/checks/reference/required';
  if (kind === undefined || isSimulated({ kind }) || values.at(at) === true) return;
  const stated = values.at(at) === false ? 'says required: false' : 'states none';
  const what = `A bench of kind "${kind}" must require checks with reference items, but ${stated}.`;
  const fix = 'Write checks: reference: { within: 8 h, items: 200, required: true }.';
  values.add('document/value', '/kind', what, fix);
}

/** Only a simulated bench may apply power without a proof of its stop function. */
function checkStopPolicy(values: Values): void {
  const limit = values.measureAt('/checks/stop-proof/limit')?.value;
  if (limit !== undefined && limit > LONGEST_STOP) {
    const what = `The limit of the stop proof is ${values.text('/checks/stop-proof/limit')}, but must be at most ${LONGEST_STOP} s.`;
    const fix = 'Write the longest time that the risk assessment allows, such as 250 ms.';
    values.add('document/value', '/checks/stop-proof/limit', what, fix);
  }
  const kind = values.textAt('/kind');
  const at = '/checks/stop-proof/required';
  if (kind === undefined || isSimulated({ kind }) || values.at(at) === true) return;
  const stated = values.at(at) === false ? 'says required: false' : 'states none';
  const what = `A bench of kind "${kind}" must require proofs of its stop function, but ${stated}.`;
  const fix = 'Write checks: stop-proof: { within: 90 d, limit: 250 ms, required: true }.';
  values.add('document/value', '/kind', what, fix);
}

/** s */
const LONGEST_STOP = 1;

/** Versions of the stand model stand in order, the one in force last. */
function checkStands(values: Values): void {
  let before = 0;
  for (const stand of values.items('/stand')) {
    checkDate(values, `${stand}/characterized`);
    const version = values.at(`${stand}/version`);
    if (typeof version !== 'number') continue;
    if (version <= before) {
      const what = `Version ${version} of the stand model follows version ${before}, but versions must rise.`;
      const fix = 'Put the versions in order, the one in force last.';
      values.add('document/value', `${stand}/version`, what, fix);
    }
    before = version;
  }
}
