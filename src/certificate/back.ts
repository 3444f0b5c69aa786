import { sha256 } from '../base/canonical.js';
import { adapterWords } from '../bench/adapter.js';
import type { TimingMethod } from '../procedure/links.js';
import type { Certificate, DocumentReference } from './certificate.js';
import {
  BODY,
  CONTENT_WIDTH,
  HAIRLINE,
  IDENTITY,
  INK,
  LEADING,
  NOTE,
  PAGE,
  SMALL_INK,
} from './page.js';
import type { Element, Sheet } from './page.js';
import { drawIdentities } from './results.js';
import { column, drawTable, row } from './table.js';
import { endMark, instant, kindWord, specification } from './words.js';

/** Draws who was warned of what, before power was applied. */
export function drawAcknowledgements(
  sheet: Sheet,
  parent: Element,
  certificate: Certificate,
): void {
  sheet.heading(parent, 'Warnings acknowledged before energizing', '', 40);
  const columns = [
    column('hazard', 0, 148),
    column('acknowledged by', 152, 88),
    column('at', 244, 104, { style: SMALL_INK }),
    column('text shown', 350, 52, { style: SMALL_INK }),
    column('means', 406, CONTENT_WIDTH - 406, { style: SMALL_INK }),
  ];
  const rows = certificate.acknowledgements.map((a) => {
    const english = a.warning.texts.get('en')?.heading ?? a.hazard;
    const shown = a.warning.texts.get(a.language)?.heading ?? english;
    const local = shown !== english && sheet.canWrite(shown, SMALL_INK) ? shown : '';
    const hazard = `${a.warning.signal}: ${english}`;
    const issue = `${a.language}, issue ${a.textIssue}`;
    return row(
      [hazard, a.by, instant(a.at), issue, a.means],
      local === '' ? '' : `shown as: ${local}`,
    );
  });
  drawTable(sheet, parent, columns, rows);
}

/** Draws who tested and who answers for the documents under which this record may be issued. */
export function drawPersons(sheet: Sheet, parent: Element, certificate: Certificate): void {
  sheet.heading(parent, 'Persons', '', 50);
  const columns = [
    column('meaning', 0, 84),
    column('person and function', 88, 172),
    column('by', 264, CONTENT_WIDTH - 264, { style: SMALL_INK }),
  ];
  const released = (what: string, d: DocumentReference): ReturnType<typeof row> =>
    row([
      what,
      `${d.approval.by}, ${d.approval.role}`,
      `standing release of ${d.id} issue ${d.issue} on ${d.approval.on}`,
    ]);
  drawTable(sheet, parent, columns, [
    row([
      'tested',
      `${certificate.operator}, operator`,
      `${certificate.operatorIdentity}; test ended ${instant(certificate.ended)}`,
    ]),
    released('method released', certificate.procedure),
    released('issue authorized', certificate.limits),
  ]);
}

/** How times were tied to the command, for people. */
const TIMING_WORDS: Readonly<Record<TimingMethod, string>> = {
  command: 'the command as latched was captured as a channel of its own, on the same clock',
  trigger: 'one line started the waveform and the capture, on one clock',
  'device-clock': 'device times, with a straight line fitted through both clocks',
  host: 'the clock of the test computer',
};

/** Draws instruments with their calibration, the stand model and the torque constant. */
export function drawEquipment(sheet: Sheet, parent: Element, certificate: Certificate): void {
  sheet.heading(parent, 'Equipment and traceability', '', 50);
  const columns = [
    column('instrument', 0, 104),
    column('range', 108, 64, { style: SMALL_INK }),
    column('calibration certificate', 176, 92, { style: IDENTITY }),
    column('laboratory', 272, 112, { style: SMALL_INK }),
    column('calibrated, due', 388, 56, { style: SMALL_INK }),
    column('U (k = 2)', 448, CONTENT_WIDTH - 448, { style: SMALL_INK }),
  ];
  const rows = certificate.equipment.map((i) =>
    row([
      `${i.what} ${i.id}, serial ${i.serial}`,
      i.range,
      i.certificate,
      i.laboratory,
      `${i.calibrated} ${i.due}`,
      i.uncertainty,
    ]),
  );
  drawTable(sheet, parent, columns, rows);
  const { stand, torqueConstant } = certificate;
  const { adapter } = certificate.environment;
  const ms = (s: number): string => `${(s * 1000).toFixed(2)} ms`;
  sheet.y += 4;
  sheet.paragraph(
    parent,
    `Stand model ${stand.version}, characterized ${stand.characterized.replace('T', ' ').replace('Z', ' UTC')}: resonance ${stand.resonance.toFixed(1)} Hz, damping ratio ${stand.damping.toFixed(3)}, torque channel delay ${ms(stand.torqueDelay)}, current channel delay ${ms(stand.currentDelay)} behind the command channel; taken out of every value read from them.`,
  );
  sheet.paragraph(
    parent,
    `Times of the capture against the command: ${TIMING_WORDS[certificate.timing.method]}; U of the alignment (k = 2) ${ms(certificate.timing.uncertainty)}.`,
  );
  if (adapter !== undefined) {
    sheet.paragraph(parent, `Adapter in the nest: ${adapterWords(adapter)}.`);
  }
  const origin =
    torqueConstant.origin === 'measured'
      ? 'measured on this item in this run'
      : 'nominal for the model; it was not measured in this run';
  sheet.paragraph(
    parent,
    `Torque constant for values read from the motor current: ${torqueConstant.value.toFixed(4)} N·m/A, ${origin}.`,
  );
}

/** Draws what was not done as the procedure says. */
export function drawDeviations(sheet: Sheet, parent: Element, certificate: Certificate): void {
  sheet.heading(parent, 'Deviations from the method', '', 20);
  const { deviations } = certificate;
  if (deviations.length === 0) sheet.paragraph(parent, 'None.');
  for (const deviation of deviations) sheet.paragraph(parent, deviation, BODY, 2);
}

const CSV_COMMAND = [
  'openssl cms -verify -binary -inform DER \\',
  '  -in certificate.csv.p7s \\',
  '  -content certificate.csv \\',
  '  -CAfile root.pem -out /dev/null',
];

/** Draws how the record is sealed, how to check it with common tools, and what it is made of. */
export function drawSeal(
  sheet: Sheet,
  parent: Element,
  certificate: Certificate,
  csv: Uint8Array,
): void {
  sheet.heading(parent, 'Seal, and how to check it without Stallmark', '', 120);
  const whose = certificate.simulated
    ? `Sealed with the simulation seal of bench ${certificate.bench}: it proves where the file comes from, and nothing about a product.`
    : `Sealed by bench ${certificate.bench}. The seal is the bench’s, not a person’s signature.`;
  sheet.paragraph(parent, `${whose} It covers every byte of this file and of the CSV inside it.`);
  drawCommands(sheet, parent);
  const { procedure, limits, anchor, software } = certificate;
  const { parametersDigest } = certificate.item;
  drawIdentities(sheet, parent, [
    ['capture.parquet', certificate.captureDigest],
    ['certificate.csv', sha256(csv)],
    [`method ${procedure.id} issue ${procedure.issue}`, procedure.digest],
    [`limits ${specification(certificate)}`, limits.digest],
    [`bench description ${certificate.bench}`, certificate.benchDigest],
    [`firmware ${certificate.item.firmware}`, certificate.item.firmwareDigest],
    ...(parametersDigest === undefined
      ? []
      : [['parameters of the item', parametersDigest] as const]),
    [`ledger entry ${anchor.entry}`, anchor.digest],
  ]);
  sheet.y += 4;
  sheet.paragraph(
    parent,
    `Digests are SHA-256. The ledger entry is the one that began this attempt. Program ${software.version}, scoring ${software.scoring}.`,
  );
}

function drawCommands(sheet: Sheet, parent: Element): void {
  const middle = PAGE.left + CONTENT_WIDTH / 2 + 10;
  const step = IDENTITY.size * LEADING;
  const height = 11 + CSV_COMMAND.length * step;
  sheet.need(height + 6);
  const top = sheet.y;
  const box = (x: number, y: number, title: string, lines: readonly string[]): void => {
    sheet.mark(parent, 'P', () => {
      sheet.line(title, x, y + 7.5, NOTE);
      sheet.lines(lines, x + 9, y + 11, IDENTITY);
      const bottom = y + 12 + lines.length * step;
      sheet.doc
        .lineWidth(1.6)
        .moveTo(x + 1, y + 12)
        .lineTo(x + 1, bottom)
        .stroke(INK);
    });
  };
  box(PAGE.left, top, 'The CSV, with its detached seal and the root certificate:', CSV_COMMAND);
  box(middle, top, 'This PDF; the answer must say that the total document is signed:', [
    'pdfsig certificate.pdf',
  ]);
  box(middle, top + height / 2 + 2, 'Files against the digests below:', [
    'sha256sum capture.parquet certificate.csv',
  ]);
  sheet.y = top + height + 8;
}

/** Draws what the reader must know about the use of the record, and the mark of its end. */
export function drawEnd(sheet: Sheet, parent: Element, certificate: Certificate): void {
  const kind = kindWord(certificate);
  const sentences = [
    `The results relate only to the item tested. This ${kind} may be copied only in full; it is replaced only by one with a higher revision that names it. No accreditation is claimed for this test.`,
    'The test software is not a safety function; guards, emergency stop and safe torque off under the site’s risk assessment are. Local codes and licensed practice prevail.',
  ];
  for (const sentence of sentences) sheet.paragraph(parent, sentence);
  sheet.need(24);
  sheet.y += 6;
  sheet.mark(parent, 'P', () => {
    sheet.lineMiddle(endMark(certificate), (PAGE.left + PAGE.right) / 2, sheet.y + 9, BODY);
  });
  sheet.artifact(() => {
    sheet.rule(sheet.y + 16, 0.5, HAIRLINE);
  });
  sheet.y += 18;
}
