import { dayAfter } from '../base/calendar.js';
import { digestOf } from '../base/canonical.js';
import type { Json } from '../base/canonical.js';
import { StallmarkError } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import type { NonEmpty } from '../base/numbers.js';
import * as units from '../base/units.js';
import type { Dimension } from '../base/units.js';
import { buildBudgets, type StandValue } from './budget.js';
import { checkBudgets } from './budget-meaning.js';
import { DECISION_RULES, type Limit, type Limits, type Tolerance } from './limits.js';
import { checkBench, checkLimits, checkProcedure } from './meaning.js';
import type { Recordings } from './meaning.js';
import { buildPattern } from './patterns.js';
import { RETEST_BENCHES, type RetestRule } from './procedure.js';
import type { Approval, Fixture, GateRequest, Model, Procedure } from './procedure.js';
import type { Reading, Settings, Stage, Warning, WarningText } from './procedure.js';
import { readChecked } from './checked.js';
import { checkRegister } from './register.js';
import { CHECKED_BY, QUANTITIES } from './station.js';
import type { StationKind } from './station.js';
import { buildLinks, checkLinks, type Beside } from './station-links.js';
import type { Calibration, RegisteredInstrument, StationAdapter } from './station.js';
import type { StandModel, Station } from './station.js';
import type { DocumentKind } from './structure.js';
import { Values } from './values.js';

export type { DocumentKind } from './structure.js';

/**
 * Tells what a document is by its first key of its own, e.g. `limits`, `bench` or `procedure`.
 *
 * @throws document/key when it has none of them.
 */
export function documentKindOf(text: string, file: string): DocumentKind {
  const kinds: readonly DocumentKind[] = [
    'limits',
    'bench',
    'procedure',
    'references',
    'routes',
    'dialect',
  ];
  const kind = kinds.find((name) => new RegExp(`^\\uFEFF?${name} *:`, 'm').test(text));
  if (kind !== undefined) return kind;
  const where = { file, line: 1, column: 1, length: 0 };
  const what =
    'The file says neither "procedure:", "limits:", "bench:", "references:", "routes:" nor "dialect:" at the start of a line.';
  const fix = 'Write the identity of the document under one of these keys.';
  throw new StallmarkError([{ code: 'document/key', where, what, fix }]);
}

/**
 * Reads a procedure: YAML, then its schema, then what the schema cannot say.
 *
 * @param recordings - Bytes of a file beside the procedure; called for recorded patterns only.
 * @throws yaml/…, document/…, quantity/unreadable and procedure/…: every problem at its place.
 */
export function readProcedure(text: string, file: string, recordings: Recordings): Procedure {
  const values = readChecked('procedure', text, file, (v) => {
    checkProcedure(v, recordings);
  });
  return {
    id: values.text('/procedure'),
    ...commonOf(values),
    model: buildModel(values),
    rated: units.newtonMetre(values.base('/rated')),
    ceiling: units.newtonMetre(values.base('/ceiling')),
    warnings: nonEmpty(values.items('/warnings').map((w) => buildWarning(values, w))),
    ambient: {
      from: units.celsius(values.base('/ambient/from')),
      to: units.celsius(values.base('/ambient/to')),
    },
    supply: {
      from: units.volt(values.base('/supply/from')),
      to: units.volt(values.base('/supply/to')),
    },
    ...(values.has('/humidity')
      ? { humidity: { from: values.base('/humidity/from'), to: values.base('/humidity/to') } }
      : {}),
    ...(values.has('/adapter') ? { adapter: values.text('/adapter') } : {}),
    attempts: values.number('/attempts'),
    ...(values.has('/retest') ? { retest: buildRetest(values) } : {}),
    purpose: PURPOSES.find((purpose) => purpose === values.textAt('/purpose')) ?? 'acceptance',
    stages: nonEmpty(values.items('/stages').map((s) => buildStage(values, s, recordings))),
  };
}

function buildRetest(values: Values): RetestRule {
  const minutes = values.has('/retest/cool-down')
    ? Number.parseInt(values.text('/retest/cool-down'), 10)
    : 0;
  const bench = RETEST_BENCHES.find((one) => one === values.textAt('/retest/bench')) ?? 'any';
  return { coolDown: units.second(60 * minutes), bench };
}

/**
 * Reads a limits file. A limit without a rule takes the one of the file.
 *
 * @throws yaml/…, document/…, quantity/unreadable, procedure/unit-mismatch and limits/….
 */
export function readLimits(text: string, file: string): Limits {
  const values = readChecked('limits', text, file, checkLimits);
  return {
    id: values.text('/limits'),
    ...commonOf(values),
    procedure: values.text('/procedure/id'),
    procedureIssue: values.number('/procedure/issue'),
    rows: nonEmpty(values.members('/rows').map(([name, row]) => buildLimit(values, name, row))),
  };
}

/**
 * Reads the description of a bench.
 *
 * @param beside - Files beside it: the dialects of its instruments.
 * @throws yaml/…, document/…, quantity/unreadable and procedure/….
 */
export function readStation(text: string, file: string, beside: Beside = () => undefined): Station {
  const values = readChecked('bench', text, file, (v) => {
    checkBench(v);
    checkRegister(v);
    checkBudgets(v);
    checkLinks(v, beside);
  });
  const stands = buildStands(values);
  return {
    id: values.text('/bench'),
    file,
    digest: contentDigest(values.located.value),
    kind: values.text('/kind') as StationKind, // the schema admits no other
    ...buildLinks(values, beside),
    maker: { name: values.text('/maker/name'), address: values.text('/maker/address') },
    place: values.text('/place'),
    zone: values.textAt('/zone') ?? 'UTC',
    nest: values.number('/nest'),
    torqueRange: units.newtonMetre(values.base('/range/torque')),
    currentRange: units.ampere(values.base('/range/current')),
    sampleRate: units.hertz(values.base('/sample-rate')),
    shunt: units.newtonMetre(values.base('/shunt')),
    ...(values.textAt('/shunt-polarity') === 'both' ? { shuntPolarity: 'both' } : {}),
    ...(values.has('/adapters')
      ? { adapters: nonEmpty(values.items('/adapters').map((a) => buildAdapter(values, a))) }
      : {}),
    register: nonEmpty(values.items('/instruments').map((i) => buildInstrument(values, i))),
    ...(values.has('/range/sound')
      ? { soundRange: units.pascal(values.base('/range/sound')) }
      : {}),
    ...stands,
    ...buildChecks(values),
    uncertainty: buildBudgets(values, standUncertainty(stands.stand)),
  };
}

/** Digest of what a document says: comments, layout and its approval do not count. */
export function contentDigest(value: Json): string {
  const members = Object.entries(value as Readonly<Record<string, Json>>); // a document is a mapping
  return digestOf(Object.fromEntries(members.filter(([key]) => key !== 'approved')));
}

function nonEmpty<T>(list: readonly T[]): NonEmpty<T> {
  if (isNonEmpty(list)) return list;
  throw new Error('the schema let an empty list through');
}

/** What documents with an issue and an approval have in common. */
export function commonOf(values: Values): {
  readonly title: string;
  readonly issue: number;
  readonly date: string;
  readonly file: string;
  readonly digest: string;
  readonly approval?: Approval;
} {
  const common = {
    title: values.text('/title'),
    issue: values.number('/issue'),
    date: values.text('/date'),
    file: values.file,
    digest: contentDigest(values.located.value),
  };
  if (!values.has('/approved')) return common;
  const approval = {
    by: values.text('/approved/by'),
    role: values.text('/approved/role'),
    on: values.text('/approved/date'),
    digest: values.text('/approved/digest'),
  };
  return { ...common, approval };
}

function buildModel(values: Values): Model {
  return {
    code: values.text('/model/code'),
    name: values.text('/model/name'),
    gtin: values.text('/model/gtin'),
    revision: values.text('/model/revision'),
    serial: values.text('/model/serial'),
    torqueConstant: units.torquePerAmpere(values.base('/model/torque-constant')),
    resistance: units.ohm(values.base('/model/resistance')),
    continuousLoss: values.base('/model/continuous-loss'),
    slew: units.torquePerSecond(values.base('/model/slew')),
    firmware: values.items('/model/firmware').map((item) => values.text(item)),
  };
}

function buildWarning(values: Values, at: string): Warning {
  const text = (tag: string): WarningText => ({
    heading: values.text(`${at}/texts/${tag}/heading`),
    hazard: values.text(`${at}/texts/${tag}/hazard`),
    consequence: values.text(`${at}/texts/${tag}/consequence`),
    avoidance: values.text(`${at}/texts/${tag}/avoidance`),
  });
  return {
    // The schema admits the members of these unions only.
    hazard: values.text(`${at}/hazard`) as Warning['hazard'],
    signal: values.text(`${at}/signal`) as Warning['signal'],
    sign: values.text(`${at}/sign`) as Warning['sign'],
    issue: values.number(`${at}/issue`),
    texts: new Map(values.members(`${at}/texts`).map(([tag]) => [tag, text(tag)])),
  };
}

const PURPOSES = ['acceptance', 'stand', 'reference', 'stop'] as const;

/** Rate at which an item latches commands unless a stage says otherwise. */
const UPDATES = units.hertz(1000);

function buildStage(values: Values, at: string, recordings: Recordings): Stage {
  return {
    id: values.text(`${at}/id`),
    title: values.text(`${at}/title`),
    power: values.text(`${at}/power`) === 'applied' ? 'on' : 'off',
    pattern: buildPattern(values, `${at}/pattern`, recordings),
    updates: values.has(`${at}/updates`) ? units.hertz(values.base(`${at}/updates`)) : UPDATES,
    takes: nonEmpty(buildTakes(values, at)),
    ...(values.has(`${at}/repeat`) ? { repeats: values.number(`${at}/repeat`) } : {}),
    reads: values
      .members(`${at}/reads`)
      .map(([characteristic, p]): Reading => ({ characteristic, ...buildOptions(values, p) })),
    gates: values
      .members(`${at}/gates`)
      .map(([gate, p]): GateRequest => ({ gate, ...buildOptions(values, p) })),
    where: values.place(`${at}/id`),
  };
}

function buildTakes(values: Values, at: string): readonly Settings[] {
  const smoothing = values.list(`${at}/smoothing`).map((item) => values.number(item));
  const fixtures = values.list(`${at}/fixture`).map((item) => values.text(item) as Fixture);
  const angles = values.list(`${at}/angle`).map((item) => values.base(item));
  const slews = values.list(`${at}/slew`).map((item) => values.base(item));
  // At most one of them is a list of several; the schema and its meaning were checked.
  const base: Settings = {
    smoothing: smoothing[0] ?? 0,
    fixture: fixtures[0] ?? 'coupled',
    ...(angles[0] === undefined ? {} : { angle: radiansOf(angles[0]) }),
    ...(slews[0] === undefined ? {} : { slew: units.torquePerSecond(slews[0]) }),
  };
  if (fixtures.length > 1) return fixtures.map((fixture) => ({ ...base, fixture }));
  if (angles.length > 1) return angles.map((angle) => ({ ...base, angle: radiansOf(angle) }));
  if (slews.length > 1)
    return slews.map((slew) => ({ ...base, slew: units.torquePerSecond(slew) }));
  return (smoothing.length > 0 ? smoothing : [0]).map((s) => ({ ...base, smoothing: s }));
}

const radiansOf = (degrees: number): units.Quantity<'rad'> =>
  units.radian((degrees * Math.PI) / 180);

function buildOptions(values: Values, at: string): Omit<Reading, 'characteristic'> {
  const options: Record<string, number> = {};
  const dimensions: Record<string, Dimension> = {};
  for (const [key, pointer] of values.members(at)) {
    const measure = values.measureAt(pointer);
    if (measure === undefined) throw new Error(`the schema let a wrong ${pointer} through`);
    options[key] = measure.value;
    dimensions[key] = measure.unit.dimension;
  }
  return { options, dimensions, where: values.place(at) };
}

function buildLimit(values: Values, name: string, at: string): Limit {
  const lower = values.measureAt(`${at}/from`);
  const upper = values.measureAt(`${at}/to`);
  const unit = (lower ?? upper)?.unit;
  if (unit === undefined) throw new Error(`an empty limit ${name} was let through`);
  const [stage = '', characteristic = ''] = name.split('.');
  const written = values.has(`${at}/rule`) ? values.text(`${at}/rule`) : values.text('/rule');
  const rule = DECISION_RULES.find((known) => known === written);
  if (rule === undefined) throw new Error(`the schema let the rule ${written} through`);
  return {
    stage,
    characteristic,
    tolerance: toleranceOf(lower?.value, upper?.value),
    unit,
    rule,
    ...buildProcess(values, `${at}/process`),
    ...buildWarnAbove(values, at),
    label: values.text(`${at}/label`),
    where: values.place(at),
  };
}

function buildWarnAbove(values: Values, at: string): Pick<Limit, 'warnAbove'> {
  const pointer = [at, ''].map((of) => `${of}/warn-above`).find((p) => values.has(p));
  return pointer === undefined ? {} : { warnAbove: values.base(pointer) };
}

function buildProcess(values: Values, at: string): Pick<Limit, 'process'> {
  if (!values.has(at)) return {};
  return { process: { mean: values.base(`${at}/mean`), deviation: values.base(`${at}/sd`) } };
}

function toleranceOf(lower: number | undefined, upper: number | undefined): Tolerance {
  if (lower !== undefined && upper !== undefined) return { kind: 'between', lower, upper };
  if (lower !== undefined) return { kind: 'at-least', lower };
  if (upper !== undefined) return { kind: 'at-most', upper };
  throw new Error('a tolerance without a limit was let through');
}

function buildAdapter(values: Values, at: string): StationAdapter {
  const text = (key: string): string => values.text(`${at}/${key}`);
  return { id: text('id'), kind: text('kind'), serial: text('serial') };
}

function buildInstrument(values: Values, at: string): RegisteredInstrument {
  const checkedBy = CHECKED_BY.find((way) => way === values.textAt(`${at}/checked-by`));
  const whole = (key: string): number => Number.parseInt(values.text(`${at}/${key}`), 10);
  return {
    id: values.text(`${at}/id`),
    what: values.text(`${at}/what`),
    serial: values.text(`${at}/serial`),
    quantity: QUANTITIES.find((q) => q === values.textAt(`${at}/quantity`)) ?? 'other',
    range: values.text(`${at}/range`),
    ...(values.has(`${at}/warm-up`) ? { warmUp: units.second(60 * whole('warm-up')) } : {}),
    ...(values.has(`${at}/intermediate-check`)
      ? { intermediateCheck: whole('intermediate-check') }
      : {}),
    ...(checkedBy === undefined ? {} : { checkedBy }),
    calibrations: nonEmpty(
      values.items(`${at}/calibrations`).map((c) => buildCalibration(values, c)),
    ),
  };
}

function buildCalibration(values: Values, at: string): Calibration {
  const calibrated = values.text(`${at}/calibrated`);
  const due = values.textAt(`${at}/due`);
  const out = values.textAt(`${at}/out-of-service`);
  const correction = values.textAt(`${at}/correction`);
  return {
    certificate: values.text(`${at}/certificate`),
    laboratory: values.text(`${at}/laboratory`),
    calibrated,
    ...(due === undefined ? {} : { due }),
    inService: values.textAt(`${at}/in-service`) ?? dayAfter(calibrated, 1),
    ...(out === undefined ? {} : { outOfService: out }),
    uncertainty: values.text(`${at}/uncertainty`),
    ...(correction === undefined ? {} : { correction }),
    ...(values.has(`${at}/gain`) ? { gain: values.base(`${at}/gain`) } : {}),
  };
}

function buildChecks(values: Values): Pick<Station, 'checks'> {
  if (!values.has('/checks')) return {};
  const stop = {
    ...buildStopPolicy(values),
    ...buildZeroPolicy(values),
    ...buildIntermediatePolicy(values),
  };
  const at = '/checks/reference';
  if (!values.has(at)) return { checks: stop };
  const reference = {
    within: units.second(3600 * Number.parseInt(values.text(`${at}/within`), 10)),
    items: values.number(`${at}/items`),
    required: values.at(`${at}/required`) === true,
  };
  return { checks: { reference, ...stop } };
}

function buildStopPolicy(values: Values): Pick<NonNullable<Station['checks']>, 'stopProof'> {
  const at = '/checks/stop-proof';
  if (!values.has(at)) return {};
  const stopProof = {
    within: units.second(86_400 * Number.parseInt(values.text(`${at}/within`), 10)),
    limit: units.second(values.base(`${at}/limit`)),
    required: values.at(`${at}/required`) === true,
  };
  return { stopProof };
}

function buildZeroPolicy(values: Values): Pick<NonNullable<Station['checks']>, 'zeroDrift'> {
  const at = '/checks/zero-drift/limit';
  if (!values.has(at)) return {};
  return { zeroDrift: { limit: units.newtonMetre(values.base(at)) } };
}

function buildIntermediatePolicy(
  values: Values,
): Pick<NonNullable<Station['checks']>, 'intermediate'> {
  const required = values.at('/checks/intermediate/required');
  return typeof required === 'boolean' ? { intermediate: { required } } : {};
}

function buildStands(values: Values): Pick<Station, 'stand' | 'formerStands'> {
  const versions = values.items('/stand').map((at) => buildStand(values, at));
  const stand = versions.at(-1);
  if (stand === undefined) throw new Error('the schema let a bench without a stand model through');
  return { stand, formerStands: versions.slice(0, -1) };
}

function buildStand(values: Values, at: string): StandModel {
  const value = (key: string): number => values.base(`${at}/${key}/value`);
  const expanded = (key: string): number => values.base(`${at}/${key}/U`);
  return {
    version: values.number(`${at}/version`),
    characterized: values.text(`${at}/characterized`),
    resonance: units.hertz(value('resonance')),
    damping: value('damping'),
    compliance: value('compliance'),
    torqueDelay: units.second(value('torque-delay')),
    currentDelay: units.second(value('current-delay')),
    uncertainty: {
      resonance: expanded('resonance'),
      damping: expanded('damping'),
      compliance: expanded('compliance'),
      torqueDelay: expanded('torque-delay'),
      currentDelay: expanded('current-delay'),
    },
  };
}

function standUncertainty({ uncertainty: U }: StandModel): Readonly<Record<StandValue, number>> {
  return {
    resonance: U.resonance,
    damping: U.damping,
    compliance: U.compliance,
    'torque-delay': U.torqueDelay,
    'current-delay': U.currentDelay,
  };
}
