import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { sha256 } from '../base/canonical.js';
import { isNonEmpty } from '../base/numbers.js';
import type { Gate } from '../capture/gate.js';
import type { Certificate, DocumentReference, PartialTest } from '../certificate/certificate.js';
import { certificateCsv } from '../certificate/csv.js';
import { figuresOf, type FigureSources } from '../certificate/figures.js';
import { renderPdf } from '../certificate/pdf.js';
import type { Seal } from '../certificate/keys.js';
import type { Purpose } from '../certificate/seal-certificate.js';
import { certificateFor, sealRecord, type SealedRecord } from '../certificate/sign.js';
import { RECORD_FILES, SUMS_FILE, sumsText } from '../certificate/verify.js';
import { identityWords } from '../people/people.js';
import { decideAll } from '../decision/verdict.js';
import type { Decision } from '../decision/decision.js';
import type { Entry } from '../ledger/ledger.js';
import { numberOf } from '../ledger/numbering.js';
import { attemptFolder, issueRecord } from '../ledger/store.js';
import type { Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import { toldBody } from '../readiness/built-in.js';
import { equipmentInForce } from '../readiness/equipment.js';
import { shuntBody } from '../readiness/intermediate-check.js';
import { nearLimitsBody } from '../readiness/near-limits.js';
import { checkDeviations } from '../readiness/reference.js';
import { zeroBody } from '../readiness/zero-drift.js';
import { characteristic } from '../scoring/catalogue.js';
import { environmentGates, type Surroundings } from '../scoring/gates-environment.js';
import type { Begun } from './attempt.js';
import { zeroDriftGates, zeroOf } from './zero-drift.js';
import type { Logger } from './log.js';
import { partialSentence } from './partial-retest.js';
import { advance } from './run.js';
import type { Performed } from './runner.js';
import type { Closed } from './scorer.js';
import { SOFTWARE } from './software.js';

/** A record as it was issued. */
export interface Issued {
  readonly certificate: Certificate;
  readonly entry: Entry;
  /** Folder of its files. */
  readonly folder: string;
  /** What the figures of the record were drawn from. */
  readonly sources: FigureSources;
}

/** An attempt whose samples are all scored and stored. */
export interface Finished extends Begun {
  readonly performed: Performed;
  readonly closed: Closed;
  /** ms since the Unix epoch. */
  readonly started: number;
  readonly ended: number;
  /** Where the files are written until the record is entered. */
  readonly folder: string;
  readonly log: Logger;
}

/**
 * Decides, writes, seals and enters the record of an attempt.
 *
 * @throws storage/*, ledger/*, keys/*, certificate/missing-item; nothing is issued then.
 */
export async function issue(finished: Finished): Promise<Issued> {
  const { parts, begun, order, log } = finished;
  const decision = decide({ ...finished, more: zeroDriftGates(finished) });
  const decided = advance(finished.performed.run, { kind: 'decision-made' });
  log.info({ verdict: decision.verdict, reason: decision.reason }, 'decided');
  const certificate = certificateOf(finished, decision);
  const csv = certificateCsv(certificate);
  const pdf = await renderPdf(certificate, csv);
  const { seal } = parts;
  const sealed =
    seal.purpose === 'bench'
      ? await sealWith(seal, certificate, csv, pdf)
      : await sealWith(seal, certificate, csv, pdf);
  const certified = advance(decided, { kind: 'record-sealed' });
  log.info({ number: certificate.number }, 'sealed');
  writeFiles(finished.folder, sealed, certificate.captureDigest);
  const zero = zeroOf(finished);
  const body = {
    verdict: decision.verdict.word,
    outcome: decision.verdict.outcome,
    reason: decision.reason,
    revision: certificate.revision,
    simulated: certificate.simulated,
    ...toldBody(certificate.item),
    ...nearLimitsBody(certificate.model.code, decision.results),
    ...shuntBody(certificate.bench, decision.gates),
    ...(zero === undefined ? {} : zeroBody(zero)),
    ...(certificate.partial === undefined ? {} : { carriedFrom: certificate.partial.record }),
  };
  const ending = { begun, by: order.operator, body };
  const entry = issueRecord(parts.root, parts.ledger, ending, parts.clock.now());
  advance(certified, { kind: 'record-entered' });
  const folder = attemptFolder(parts.root, begun).final;
  return { certificate, entry, folder, sources: sourcesOf(finished, decision) };
}

/** Writes the sealed files and the sums of all files; nothing is written to the log after this. */
function writeFiles(folder: string, sealed: SealedRecord, captureDigest: string): void {
  const write = (name: string, bytes: Uint8Array | string): void => {
    writeFileSync(join(folder, name), bytes, { flag: 'wx' });
  };
  write(RECORD_FILES.table, sealed.csv);
  write(RECORD_FILES.seal, sealed.csvSeal);
  write(RECORD_FILES.page, sealed.pdf);
  write(
    SUMS_FILE,
    sumsText({
      [RECORD_FILES.capture]: captureDigest,
      [RECORD_FILES.table]: sha256(sealed.csv),
      [RECORD_FILES.seal]: sha256(sealed.csvSeal),
      [RECORD_FILES.page]: sha256(sealed.pdf),
      [RECORD_FILES.log]: sha256(readFileSync(join(folder, RECORD_FILES.log))),
    }),
  );
}

/** Two calls, not one: a seal is for one purpose, and the types keep the two apart. */
function sealWith<P extends Purpose>(
  seal: Seal<P>,
  certificate: Certificate,
  csv: Uint8Array,
  pdf: Uint8Array,
): Promise<SealedRecord> {
  const unsealed = { certificate: certificateFor(certificate, seal), csv, pdf };
  return sealRecord(unsealed, seal, certificate.issued);
}

/**
 * Decides what was performed under the limits of an order.
 *
 * @param more - Gates that are judged by more than this run.
 */
export function decide({
  order,
  performed,
  brief,
  retest,
  more = [],
}: Pick<Finished, 'order' | 'performed' | 'brief' | 'retest'> & {
  readonly more?: readonly Gate[];
}): Decision {
  const { limits, station, procedure } = order.documents;
  const surroundings = (
    name: 'ambient' | 'supply' | 'humidity',
    band: Surroundings['band'],
  ): Surroundings => ({
    before: brief.environment[name],
    after: performed.environment[name],
    band,
  });
  const { ambient, supply, humidity } = procedure;
  const { itemFault } = performed;
  return decideAll({
    ...(itemFault === undefined ? {} : { itemFault }),
    limits,
    scores: performed.outcomes.flatMap((o) => o.scores),
    gates: [
      ...performed.outcomes.flatMap((o) => o.gates),
      ...environmentGates(
        surroundings('ambient', ambient),
        surroundings('supply', supply),
        humidity && surroundings('humidity', humidity),
      ),
      ...more,
    ],
    uncertainty: (_, id) => station.uncertainty.get(id),
    sideOf: (id) => characteristic(id)?.side ?? 'link',
    gatesOf: (id) => characteristic(id)?.gates ?? [],
    ...(retest === undefined ? {} : { carried: retest.carried }),
  });
}

function certificateOf(finished: Finished, decision: Decision): Certificate {
  const { order, parts, brief, begun, performed, closed, retest } = finished;
  const { procedure, limits, station } = order.documents;
  const acknowledgements = brief.acknowledgements.flatMap((a) =>
    procedure.warnings.filter((w) => w.hazard === a.hazard).map((warning) => ({ ...a, warning })),
  );
  if (!isNonEmpty(acknowledgements)) throw new Error('no acknowledgement, yet there was a permit');
  return {
    number: numberOf(begun),
    revision: 0,
    simulated: parts.seal.purpose === 'simulation',
    maker: station.maker,
    bench: station.id,
    place: station.place,
    nest: station.nest,
    serial: order.serial,
    model: procedure.model,
    item: brief.identity,
    attempt: brief.task.attempt,
    attemptsAllowed: finished.attemptsAllowed,
    ...(order.sample?.words === undefined ? {} : { sample: order.sample.words }),
    procedure: referenceTo(procedure),
    limits: referenceTo(limits),
    benchDigest: station.digest,
    started: finished.started,
    ended: finished.ended,
    issued: parts.clock.now(),
    environment: brief.environment,
    decision,
    acknowledgements,
    operator: order.operator,
    operatorIdentity: identityWords(order.session ?? { means: 'stated' }),
    equipment: equipmentInForce(station, brief.readyAt),
    stand: station.stand,
    timing: finished.bench.ratings.timing,
    torqueConstant: closed.torqueConstant,
    ...(retest === undefined ? {} : { partial: partialOf(retest) }),
    deviations: [
      ...(retest === undefined ? [] : [partialSentence(retest)]),
      ...checkDeviations(brief.checks),
      ...deviationsOf(performed),
    ],
    figures: figuresOf(sourcesOf(finished, decision)),
    captureDigest: closed.captureDigest,
    software: SOFTWARE,
    anchor: { entry: begun.number, digest: begun.digest },
  };
}

const partialOf = ({ stages, played, replaced, record, digest }: PartialTest): PartialTest => ({
  ...{ stages, played, replaced, record, digest },
});

function sourcesOf({ order, performed }: Finished, decision: Decision): FigureSources {
  return {
    results: decision.results,
    scores: performed.outcomes.flatMap((o) => o.scores),
    stages: order.documents.procedure.stages,
    gates: decision.gates,
  };
}

function deviationsOf(performed: Performed): readonly string[] {
  const leftOut = performed.leftOut.map(
    ({ stage, why }) => `Stage "${stage}" was not run: ${why}.`,
  );
  const { brokenOff, itemFault } = performed;
  if (itemFault !== undefined) {
    return [...leftOut, 'The run ended at a fault of the item. Later stages were not run.'];
  }
  if (brokenOff === undefined) return leftOut;
  return [
    ...leftOut,
    `The run was broken off after stage "${brokenOff}": a gate forbade more torque. Later stages were not run.`,
  ];
}

function referenceTo(document: Procedure | Limits): DocumentReference {
  const { id, title, issue: number, date, digest, approval } = document;
  if (approval === undefined) throw new Error(`"${document.file}" was used without an approval`);
  return { id, title, issue: number, date, digest, approval };
}
