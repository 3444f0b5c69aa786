import { stringify } from 'csv-stringify/sync';
import { exactText, forFiles, showValue } from '../base/display.js';
import { StallmarkError, unreachable } from '../base/error.js';
import { unitOf, type Unit } from '../base/units.js';
import { adapterWords } from '../bench/adapter.js';
import type { ItemVerdict, Result, Verdict } from '../decision/decision.js';
import { RULES } from '../decision/rules.js';
import { DECISION_RULES, type Tolerance } from '../procedure/limits.js';
import { SIMULATED_MARK, type Certificate, type DocumentReference } from './certificate.js';
import { requireComplete } from './complete.js';
import {
  CARRIED,
  COLUMNS,
  guard,
  GUARD_RULE,
  HEADINGS,
  isNumeric,
  readCertificateCsv,
  type Cells,
  type Row,
} from './csv-table.js';
import { printedVerdict, validityOf } from './printed-verdict.js';
import { componentNames, conformity, RELATES_ONLY, ruleSentence, titleOf } from './words.js';

/**
 * Writes a certificate as a table that is complete without the page: RFC 4180, UTF-8 without byte
 * order mark (a mark would become part of the first heading for most readers), one row per result,
 * every other item of the record in rows of its own. Same certificate, same bytes.
 *
 * Values stand in the unit of their limit, once exactly as measured and once as displayed.
 *
 * @throws certificate/missing-item naming every item the record lacks.
 *
 * Source: RFC 4180; ISO/IEC 17025:2017, 7.8.2.1 (items).
 * Check: tests/unit/csv.test.ts, which reads it back with csv-parse.
 */
export function certificateCsv(certificate: Certificate): Uint8Array {
  requireComplete(certificate);
  const body = [
    ...schemaRows(certificate),
    ...recordRows(certificate),
    ...certificate.decision.results.map(resultRow),
    ...gateRows(certificate),
    ...acknowledgementRows(certificate),
    ...equipmentRows(certificate),
    ...deviationRows(certificate),
  ];
  const end: Row = { section: 'end', item: 'rows before this one', value: String(body.length) };
  const shared = sharedCells(certificate);
  const lines = [...body, end].map((row) => cellsOf({ ...shared, ...row }));
  const text = stringify([[...HEADINGS], ...lines], {
    record_delimiter: 'windows',
    quoted_match: /[\r\n]/u, // a lone CR or LF is not the delimiter, and so would stand bare
  });
  return refuseUnreadable(new TextEncoder().encode(text));
}

/** What we cannot read back we do not issue: a blank number or serial, for instance. */
function refuseUnreadable(bytes: Uint8Array): Uint8Array {
  const read = readCertificateCsv(bytes);
  if (!('damage' in read)) return bytes;
  const fix = 'Give the record its missing item.';
  throw new StallmarkError([{ code: 'certificate/missing-item', what: read.sentence, fix }]);
}

function cellsOf(row: Row): readonly string[] {
  return COLUMNS.map((column) => {
    const cell = row[column] ?? '';
    return isNumeric(column) ? cell : guard(cell);
  });
}

/** Cells that every row repeats, so that a row cut out of the file still says what it is of. */
function sharedCells(c: Certificate): Cells {
  return {
    record: c.number,
    revision: String(c.revision),
    simulated: c.simulated ? SIMULATED_MARK : 'no',
    serial: c.serial,
    attempt: String(c.attempt),
    model: c.model.code,
    firmware: c.item.firmware,
  };
}

const instant = (ms: number): string => new Date(ms).toISOString();
const text = (item: string, value: string): Row => ({ section: 'record', item, text: value });
const number = (item: string, value: number, unit: Unit): Row => ({
  section: 'record',
  item,
  value: exactText(value, unit),
  unit: unit.symbol,
});

function schemaRows({ decision }: Certificate): readonly Row[] {
  const row = (item: string, value: string): Row => ({ section: 'schema', item, text: value });
  return [
    row(
      'format',
      'RFC 4180, UTF-8, CRLF, decimal point; instants ISO 8601 with offset; one table, "section" says what a row is about',
    ),
    row('text cells', GUARD_RULE),
    row(
      'value, U, lower, upper',
      'as measured or written, in "unit"; "value shown" and "U shown" are rounded for display and decide nothing',
    ),
    row('rule', DECISION_RULES.map((rule) => `${rule}: ${RULES[rule].meaning}`).join('; ')),
    ...(decision.results.some(({ carriedFrom }) => carriedFrom !== undefined)
      ? [
          row(
            CARRIED,
            'this result was not measured in this attempt; "text" is the record that did',
          ),
        ]
      : []),
  ];
}

const COUNT = unitOf('count');

function recordRows(c: Certificate): readonly Row[] {
  return [
    text('title', titleOf(c)),
    text('verdict', c.decision.verdict.word),
    text('outcome', outcomeWords(c.decision.verdict)),
    text('reason', c.decision.reason),
    text('statement of conformity', conformity(c)),
    text('maker', c.maker.name),
    text('maker address', c.maker.address),
    text('place of test', c.place),
    text('bench', c.bench),
    number('nest', c.nest, COUNT),
    text('bench description digest', c.benchDigest),
    ...itemRows(c),
    number('attempts allowed', c.attemptsAllowed, COUNT),
    ...(c.sample === undefined ? [] : [text('sample', c.sample)]),
    ...partialRows(c),
    ...documentRows('procedure', c.procedure),
    ...documentRows('limits', c.limits),
    text('started', instant(c.started)),
    text('ended', instant(c.ended)),
    text('issued', instant(c.issued)),
    text('operator', c.operator),
    text('operator identity', c.operatorIdentity),
    ...conditionRows(c),
    text('capture digest', c.captureDigest),
    text('software version', c.software.version),
    text('scoring version', c.software.scoring),
    number('anchor entry', c.anchor.entry, COUNT),
    text('anchor digest', c.anchor.digest),
    text('decision rule', ruleSentence(c.decision.results)),
    text('scope', RELATES_ONLY),
    text('copies', 'Not to be reproduced except in full.'),
    text('accreditation', 'No accreditation is claimed.'),
    text('seal', 'Sealed by the bench; a seal is not the signature of a person.'),
  ];
}

/** The outcome of the item in words of their own, so that an accepted item shows its condition. */
function outcomeWords(verdict: ItemVerdict): string {
  return verdict.outcome === 'conditional' ? printedVerdict(verdict) : verdict.outcome;
}

/** What a partial retest was for and what its other rows rest on. */
function partialRows({ partial }: Certificate): readonly Row[] {
  if (partial === undefined) return [];
  return [
    text('retest scope', partial.stages.join(', ')),
    text('stages played', partial.played.join(', ')),
    text('replaced', partial.replaced.join(', ')),
    text('carried over from', partial.record),
    text('carried over digest', partial.digest),
  ];
}

function itemRows(c: Certificate): readonly Row[] {
  return [
    text('model name', c.model.name),
    text('model code', c.model.code),
    text('model revision', c.model.revision),
    text('GTIN', c.model.gtin),
    text('item model, as it says', c.item.model),
    text('item serial, as it says', c.item.serial),
    text('item firmware', c.item.firmware),
    text('item firmware digest', c.item.firmwareDigest),
    ...optional('item revision, as it says', c.item.revision),
    ...optional('item parameters digest', c.item.parametersDigest),
    ...componentNames(c.item).map(([name, serial]) => text(`component ${name}`, serial)),
  ];
}

const optional = (item: string, value: string | undefined): readonly Row[] =>
  value === undefined ? [] : [text(item, value)];

function documentRows(kind: string, document: DocumentReference): readonly Row[] {
  return [
    text(kind, document.id),
    text(`${kind} title`, document.title),
    number(`${kind} issue`, document.issue, COUNT),
    text(`${kind} date`, document.date),
    text(`${kind} digest`, document.digest),
    text(`${kind} approved by`, document.approval.by),
    text(`${kind} approved as`, document.approval.role),
    text(`${kind} approved on`, document.approval.on),
    text(`${kind} approved digest`, document.approval.digest),
  ];
}

function conditionRows(c: Certificate): readonly Row[] {
  return [
    number('ambient temperature', c.environment.ambient, unitOf('°C')),
    number('relative humidity', c.environment.humidity, unitOf('%')),
    number('supply', c.environment.supply, unitOf('V')),
    ...optional('adapter', c.environment.adapter && adapterWords(c.environment.adapter)),
    number('stand model version', c.stand.version, COUNT),
    text('stand characterized', c.stand.characterized),
    number('stand resonance', c.stand.resonance, unitOf('Hz')),
    number('stand damping ratio', c.stand.damping, unitOf('1')),
    number('torque channel delay', c.stand.torqueDelay, unitOf('ms')),
    number('current channel delay', c.stand.currentDelay, unitOf('ms')),
    text('time alignment', c.timing.method),
    number('U of the time alignment (k = 2)', c.timing.uncertainty, unitOf('ms')),
    number('torque constant', c.torqueConstant.value, unitOf('N·m/A')),
    text('torque constant origin', c.torqueConstant.origin),
  ];
}

function resultRow(result: Result): Row {
  const { limit, outcome } = result;
  return {
    section: 'result',
    stage: limit.stage,
    characteristic: limit.characteristic,
    label: limit.label,
    side: result.side,
    unit: limit.unit.symbol,
    rule: limit.rule,
    ...endCells(limit.tolerance, limit.unit),
    ...verdictCells(result.verdict),
    ...(outcome.kind === 'measured'
      ? measuredCells(result, outcome)
      : { reason: [...reasonsOf(result.verdict), outcome.reason].join('; ') }),
    ...(result.carriedFrom === undefined ? {} : { item: CARRIED, text: result.carriedFrom }),
  };
}

function measuredCells(
  { limit, expanded, k = 2 }: Result,
  outcome: Extract<Result['outcome'], { kind: 'measured' }>,
): Cells {
  const shown = showValue(outcome.value, expanded, limit.unit, limit.tolerance);
  return {
    value: exactText(outcome.value, limit.unit),
    'value shown': forFiles(shown.value),
    ...(expanded !== undefined && { U: exactText(expanded, limit.unit), k: String(k) }),
    ...(shown.expanded !== undefined && { 'U shown': shown.expanded }),
    ...(outcome.spread !== undefined && { spread: exactText(outcome.spread, limit.unit) }),
    ...(outcome.repeats !== undefined && { repeats: String(outcome.repeats) }),
    ...(outcome.bound === 'at-least' && { sense: '>=' }),
  };
}

function endCells(tolerance: Tolerance, unit: Unit): Cells {
  switch (tolerance.kind) {
    case 'at-least':
      return { lower: exactText(tolerance.lower, unit) };
    case 'at-most':
      return { upper: exactText(tolerance.upper, unit) };
    case 'between':
      return { lower: exactText(tolerance.lower, unit), upper: exactText(tolerance.upper, unit) };
    default:
      return unreachable(tolerance);
  }
}

const reasonsOf = (verdict: Verdict): readonly string[] =>
  verdict.outcome === 'invalid' ? verdict.reasons : [];

function verdictCells(verdict: Verdict): Cells {
  const reasons = reasonsOf(verdict);
  return {
    verdict: printedVerdict(verdict),
    validity: validityOf(verdict),
    ...(reasons.length === 0 ? {} : { reason: reasons.join('; ') }),
  };
}

function gateRows(c: Certificate): readonly Row[] {
  return c.decision.gates.map((gate) => ({
    section: 'gate',
    item: gate.id,
    stage: gate.scope,
    label: gate.name,
    value: plain(gate.observed),
    allowed: plain(gate.allowed),
    unit: gate.unit,
    verdict: gate.holds ? 'holds' : 'does not hold',
    reason: gate.evidence,
    blames: gate.blames,
    concern: gate.concern,
    sense: gate.sense === 'at-most' ? '<=' : '>=',
    margin: plain(gate.margin),
  }));
}

/** A gate may have observed nothing finite; its evidence says so in words. */
function plain(value: number): string {
  return Number.isFinite(value) ? exactText(value, unitOf('1')) : '';
}

/** Several rows of one section that belong together, numbered from 1. */
function partRows(
  section: Row['section'],
  parts: readonly (readonly (readonly [item: string, text: string])[])[],
): readonly Row[] {
  return parts.flatMap((items, i) =>
    items.map(([item, value]) => ({ section, part: String(i + 1), item, text: value })),
  );
}

function acknowledgementRows(c: Certificate): readonly Row[] {
  return partRows(
    'acknowledgement',
    c.acknowledgements.map((a) => {
      const shown = a.warning.texts.get(a.language);
      return [
        ['hazard', a.hazard],
        ['by', a.by],
        ['at', instant(a.at)],
        ['means', a.means],
        ['language', a.language],
        ['wording issue', String(a.textIssue)],
        ['signal word', a.warning.signal],
        ['sign', a.warning.sign],
        ['heading', shown?.heading ?? ''],
        ['hazard text', shown?.hazard ?? ''],
        ['consequence', shown?.consequence ?? ''],
        ['avoidance', shown?.avoidance ?? ''],
      ];
    }),
  );
}

function equipmentRows(c: Certificate): readonly Row[] {
  return partRows(
    'equipment',
    c.equipment.map((e) => [
      ['id', e.id],
      ['what', e.what],
      ['serial', e.serial],
      ['quantity', e.quantity],
      ['range', e.range],
      ['calibration certificate', e.certificate],
      ['laboratory', e.laboratory],
      ['calibrated', e.calibrated],
      ['due', e.due],
      ['uncertainty', e.uncertainty],
      ['correction', e.correction],
    ]),
  );
}

function deviationRows(c: Certificate): readonly Row[] {
  const found = c.deviations.length > 0 ? c.deviations : ['none'];
  return partRows(
    'deviation',
    found.map((sentence) => [['deviation', sentence]]),
  );
}
