import {
  drawAcknowledgements,
  drawDeviations,
  drawEnd,
  drawEquipment,
  drawPersons,
  drawSeal,
} from './back.js';
import { SIMULATED_MARK } from './certificate.js';
import type { Certificate } from './certificate.js';
import { requireComplete } from './complete.js';
import { drawFinding, drawTitle, drawVerdictPanel } from './front.js';
import { Sheet } from './page.js';
import type { Document, Frame } from './page.js';
import { drawAllResults, drawFigures, drawGates } from './results.js';
import { specification, titleOf } from './words.js';

/** Bytes kept free for the seal. */
const SEAL_BYTES = 16_384;

/**
 * Draws a certificate or report as PDF/A-3b with its CSV inside and a place for the seal.
 *
 * Equal input gives equal bytes: every date in the file is the date of issue. The place for the seal
 * is `/ByteRange [0 9999999999 9999999999 9999999999]` with `/Contents` of 16 384 zero bytes.
 *
 * @param csv - Bytes of certificate.csv, embedded as they are.
 * @returns The whole file, unsealed.
 * @throws certificate/missing-item with all items that are missing; plain Error when an embedded
 * font lacks a character of a text.
 *
 * Source: ISO 19005-3 and ETSI EN 319 142-1 (from memory).
 * Check: tests/unit/pdf.test.ts.
 */
export async function renderPdf(certificate: Certificate, csv: Uint8Array): Promise<Uint8Array> {
  requireComplete(certificate);
  const issued = new Date(certificate.issued);
  const doc = await openDocument(informationOf(certificate, issued));
  const written = gather(doc);
  const sheet = new Sheet(doc, frameOf(certificate));
  drawContent(sheet, certificate, csv);
  sheet.finish();
  attach(doc, csv, issued);
  addSealField(doc, certificate, issued);
  doc.end();
  return written();
}

/**
 * Loads what `renderPdf` needs and draws an empty page with every font, so that nobody waits for
 * that after the last sample.
 */
export async function preparePdf(): Promise<void> {
  const doc = await openDocument({});
  const written = gather(doc);
  const sheet = new Sheet(doc, {
    left: '0',
    middle: '0',
    right: '0',
    foot: '0',
    mark: SIMULATED_MARK,
  });
  sheet.finish();
  doc.end();
  written();
}

function drawContent(sheet: Sheet, certificate: Certificate, csv: Uint8Array): void {
  const { root } = sheet;
  drawTitle(sheet, root, certificate);
  drawVerdictPanel(sheet, root, certificate);
  const drawn = drawFinding(sheet, root, certificate);
  drawAllResults(sheet, root, certificate);
  drawGates(sheet, root, certificate);
  drawFigures(
    sheet,
    root,
    certificate.figures.filter((figure) => figure !== drawn),
  );
  drawAcknowledgements(sheet, root, certificate);
  drawPersons(sheet, root, certificate);
  drawEquipment(sheet, root, certificate);
  drawDeviations(sheet, root, certificate);
  drawSeal(sheet, root, certificate, csv);
  drawEnd(sheet, root, certificate);
}

function frameOf(certificate: Certificate): Frame {
  return {
    left: `${certificate.number} rev ${certificate.revision}`,
    middle: certificate.serial,
    right: `${specification(certificate)}, ${certificate.decision.verdict.word}`,
    foot: 'Copied only in full.',
    mark: certificate.simulated ? SIMULATED_MARK : undefined,
  };
}

function informationOf(certificate: Certificate, issued: Date): object {
  const mark = certificate.simulated ? `${SIMULATED_MARK}: ` : '';
  const title = `${titleOf(certificate)} ${certificate.number} revision ${certificate.revision}`;
  return {
    Title: readable(`${mark}${title}`),
    Author: readable(`${certificate.maker.name}, bench ${certificate.bench}`),
    Subject: readable(`Item ${certificate.serial}, ${specification(certificate)}`),
    Creator: readable(`Stallmark ${certificate.software.version}`),
    CreationDate: issued,
  };
}

/** pdfkit is imported here and not above: checking and verifying must not pay for it. */
async function openDocument(info: object): Promise<Document> {
  const { default: PDFDocument } = await import('pdfkit');
  return new PDFDocument({
    size: 'A4',
    margin: 0,
    pdfVersion: '1.7',
    subset: 'PDF/A-3b',
    tagged: true,
    lang: 'en',
    displayTitle: true,
    autoFirstPage: false,
    bufferPages: true,
    // @ts-expect-error -- null keeps pdfkit from opening a font it could not embed; its types lack it
    font: null,
    info,
  });
}

/** A text that reads as itself in the PDF and as escaped XML in the metadata, where pdfkit does not escape. */
class MetadataText extends String {
  override toString(): string {
    return this.valueOf().replaceAll('&', '&amp;').replaceAll('<', '&lt;').replaceAll('>', '&gt;');
  }
}

const readable = (text: string): string => new MetadataText(text) as unknown as string;

/**
 * Takes what the document writes as it is written. The document is a stream, but it is wanted whole,
 * and the stream costs as much time as the drawing.
 */
function gather(doc: Document): () => Uint8Array {
  const begun: unknown = doc.read(); // the constructor wrote the first line
  const chunks: Uint8Array[] = begun instanceof Uint8Array ? [begun] : [];
  let isWhole = false;
  doc.push = (chunk: Uint8Array | null) => {
    if (chunk === null) isWhole = true;
    else chunks.push(chunk);
    return true;
  };
  return () => {
    if (!isWhole) throw new Error('an object of the PDF was never ended');
    return Buffer.concat(chunks);
  };
}

function attach(doc: Document, csv: Uint8Array, issued: Date): void {
  const options = {
    name: 'certificate.csv',
    type: 'text/csv',
    description: 'The same results as a table for programs',
    relationship: 'Data',
    creationDate: issued,
    modifiedDate: issued,
  };
  doc.file(Buffer.from(csv), options);
}

/** What the signature field needs from the private side of pdfkit 0.20.2, whose version is pinned for it. */
interface Inner {
  _acroform: { readonly fonts: object; readonly defaultFont: string };
  readonly _root: { readonly data: { AcroForm?: unknown } };
}

/**
 * Adds an invisible signature field. Not through initForm(): it asks readers to draw appearances
 * themselves, which PDF/A forbids.
 */
function addSealField(doc: Document, certificate: Certificate, issued: Date): void {
  const text = (value: string): unknown => Object(value); // pdfkit writes a String object as text, a string as a name
  const seal = doc.ref({
    Type: 'Sig',
    Filter: 'Adobe.PPKLite',
    SubFilter: 'ETSI.CAdES.detached',
    ByteRange: [0, 9999999999, 9999999999, 9999999999],
    Contents: Buffer.alloc(SEAL_BYTES),
    Name: text(`Bench ${certificate.bench}`),
    Reason: text(certificate.simulated ? SIMULATED_MARK : 'Sealed by the bench'),
    M: issued,
  });
  doc.switchToPage(0);
  const field = doc.ref({
    Type: 'Annot',
    Subtype: 'Widget',
    FT: 'Sig',
    T: text('Seal'),
    TU: text('Seal of the bench over this file'),
    V: seal,
    F: 132,
    Rect: [0, 0, 0, 0],
    P: doc.page.dictionary,
  });
  (doc.page.annotations as unknown[]).push(field);
  const inner = doc as unknown as Inner;
  inner._acroform = { fonts: {}, defaultFont: 'none' }; // makes pdfkit finish the form it is given below
  inner._root.data.AcroForm = doc.ref({ SigFlags: 3, Fields: [field], DR: { Font: {} } });
  endRef(seal);
  endRef(field);
}

/** Writes an object out; the types of pdfkit ask for a last chunk that is optional. */
function endRef(ref: ReturnType<Document['ref']>): void {
  ref.end(undefined);
}
