import { throwIfAny } from '../base/error.js';
import type { Problem } from '../base/error.js';
import { hasGuardBand } from '../decision/rules.js';
import { HAZARDS } from '../procedure/procedure.js';
import type { Certificate, DocumentReference } from './certificate.js';

/** A mandatory item by its name on the page, and whether the certificate has it. */
type Item = readonly [name: string, present: boolean];

const written = (text: string): boolean => text.trim() !== '';
const isDigest = (text: string): boolean => /^[0-9a-f]{64}$/.test(text);
const isDate = (text: string): boolean => Number.isFinite(Date.parse(text));

/**
 * Refuses a certificate that lacks an item it must carry, with all that are missing at once.
 *
 * @throws certificate/missing-item, one problem for each item.
 *
 * Source: ISO/IEC 17025:2017, 7.8.2.1 and 7.8.6.2 (from memory), as far as they apply to a maker's
 * own test; digests and anchor are our own rule.
 * Check: tests/unit/pdf.test.ts.
 */
export function requireComplete(certificate: Certificate): void {
  const items = [
    ...identityItems(certificate),
    ...documentItems('procedure', certificate.procedure),
    ...documentItems('limits', certificate.limits),
    ...conditionItems(certificate),
    ...personItems(certificate),
    ...equipmentItems(certificate),
    ...resultItems(certificate),
    ...originItems(certificate),
  ];
  const problems = items.filter(([, present]) => !present).map(([name]) => missing(name));
  throwIfAny(problems);
}

function missing(name: string): Problem {
  return {
    code: 'certificate/missing-item',
    what: `The certificate lacks ${name}, or it cannot be read as one.`,
    fix: `Supply ${name}; nothing is issued before.`,
  };
}

function identityItems(c: Certificate): readonly Item[] {
  return [
    ['the certificate number', written(c.number)],
    ['the revision', Number.isInteger(c.revision) && c.revision >= 0],
    ['the name of the maker', written(c.maker.name)],
    ['the address of the maker', written(c.maker.address)],
    ['the bench', written(c.bench)],
    ['the place of the test', written(c.place)],
    ['the nest', Number.isInteger(c.nest) && c.nest >= 1],
    ['the serial of the item', written(c.serial)],
    ['the model of the item', written(c.model.name) && written(c.model.code)],
    ['the hardware revision of the item', written(c.model.revision)],
    ['the firmware version of the item', written(c.item.firmware)],
    ['the digest of the firmware', isDigest(c.item.firmwareDigest)],
    ...toldItems(c.item),
    ['the attempt', Number.isInteger(c.attempt) && c.attempt >= 1],
  ];
}

/** What an item need not tell, but tells rightly. */
function toldItems({
  revision,
  parametersDigest,
  components = [],
}: Certificate['item']): readonly Item[] {
  return [
    ['the hardware revision that the item tells', revision === undefined || written(revision)],
    ['the digest of the parameters', parametersDigest === undefined || isDigest(parametersDigest)],
    ...components.map(({ kind, serial }): Item => [`the serial of the ${kind}`, written(serial)]),
  ];
}

function documentItems(name: string, d: DocumentReference): readonly Item[] {
  return [
    [`the identity of the ${name}`, written(d.id) && written(d.title)],
    [`the issue of the ${name}`, Number.isInteger(d.issue) && d.issue >= 1],
    [`the date of the ${name}`, isDate(d.date)],
    [`the digest of the ${name}`, isDigest(d.digest)],
    [`who approved the ${name}`, written(d.approval.by) && written(d.approval.role)],
    [`when the ${name} was approved`, isDate(d.approval.on)],
  ];
}

function conditionItems(c: Certificate): readonly Item[] {
  const { ambient, humidity, supply } = c.environment;
  return [
    ['the start of the test', Number.isFinite(c.started)],
    ['the end of the test', Number.isFinite(c.ended) && c.ended >= c.started],
    ['the date of issue', Number.isFinite(c.issued) && c.issued >= c.ended],
    ['the ambient temperature', Number.isFinite(ambient)],
    ['the humidity', Number.isFinite(humidity)],
    ['the supply voltage', Number.isFinite(supply)],
  ];
}

function personItems(c: Certificate): readonly Item[] {
  return [
    ['the operator', written(c.operator)],
    ...HAZARDS.map((hazard): Item => [
      `the acknowledgement of the warning "${hazard}"`,
      c.acknowledgements.some((a) => a.hazard === hazard && written(a.by) && Number.isFinite(a.at)),
    ]),
  ];
}

function equipmentItems(c: Certificate): readonly Item[] {
  const instruments = c.equipment.flatMap((i, at): readonly Item[] => {
    const name = written(i.id) ? `instrument ${i.id}` : `instrument ${at + 1}`;
    return [
      [`the identity of ${name}`, written(i.id) && written(i.what) && written(i.serial)],
      [`the calibration certificate of ${name}`, written(i.certificate) && written(i.laboratory)],
      [`the calibration dates of ${name}`, isDate(i.calibrated) && isDate(i.due)],
      [`the uncertainty of ${name}`, written(i.uncertainty)],
    ];
  });
  return [
    ['equipment', c.equipment.length > 0],
    ...instruments,
    ['the stand model', Number.isFinite(c.stand.resonance) && isDate(c.stand.characterized)],
    ['the uncertainty of the time alignment', Number.isFinite(c.timing.uncertainty)],
    ['the torque constant', Number.isFinite(c.torqueConstant.value)],
  ];
}

function resultItems(c: Certificate): readonly Item[] {
  const { results, reason } = c.decision;
  return [
    ['results', results.length > 0],
    ['the reason of the verdict', written(reason)],
    ...results.flatMap((r): readonly Item[] => {
      const key = `${r.limit.stage}.${r.limit.characteristic}`;
      const guarded = hasGuardBand(r.limit.rule) && r.outcome.kind === 'measured';
      return [
        [`the name of result ${key}`, written(r.name)],
        [`the uncertainty of result ${key}`, !guarded || r.expanded !== undefined],
      ];
    }),
  ];
}

function originItems(c: Certificate): readonly Item[] {
  return [
    ['the digest of the bench description', isDigest(c.benchDigest)],
    ['the digest of the capture', isDigest(c.captureDigest)],
    ['the program version', written(c.software.version)],
    ['the scoring version', written(c.software.scoring)],
    ['the ledger entry', Number.isInteger(c.anchor.entry) && isDigest(c.anchor.digest)],
  ];
}
