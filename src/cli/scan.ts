import { EXIT, exitStatus } from '../base/codes.js';
import { throwIfAny } from '../base/error.js';
import { problemsAsText } from '../base/report.js';
import { elementDate, elementName } from '../identity/gs1.js';
import type { ElementString, Label, Reading } from '../identity/identity.js';
import type { Followed } from '../identity/routing.js';
import type { Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import { DEFAULT_FOLDERS, readDocuments } from '../run/documents.js';
import { currentYear, readText } from '../run/label.js';
import { routed } from '../run/on-route.js';
import type { Terminal } from './terminal.js';

/** More bytes than any scan; what follows them is not read. */
const MOST_BYTES = 4096;

/** Says what a scan reads, element by element, and where it leads, or every reason against it. */
export async function scan(
  text: string | undefined,
  options: { readonly json?: true },
  to: Terminal,
): Promise<number> {
  const all = readDocuments(DEFAULT_FOLDERS);
  throwIfAny(all.problems);
  const procedures = all.procedures.filter((p) => p.purpose === 'acceptance');
  const scanned = text ?? (await firstLine(process.stdin));
  const reading = readText(scanned, procedures);
  if (reading.kind === 'refused') {
    if (options.json === true) {
      const { elements, problems } = reading;
      to.out(JSON.stringify({ elements, problems }, null, 2));
    } else showRefused(reading, to);
    return exitStatus(reading.problems[0].code);
  }
  const followed = routed(all, reading.label);
  if (options.json === true) to.out(JSON.stringify(facts(reading.label, followed), null, 2));
  else show(reading.label, followed, to);
  return followed.kind === 'documents' ? EXIT.conforming : exitStatus(followed.problems[0].code);
}

/** Reads up to the first line end, leaving every other character as the scanner sent it. */
async function firstLine(input: AsyncIterable<unknown>): Promise<string> {
  const chunks: Buffer[] = [];
  let length = 0;
  for await (const chunk of input) {
    const bytes = Buffer.from(chunk as Uint8Array); // standard input gives bytes: no encoding is set
    chunks.push(bytes);
    length += bytes.length;
    if (length > MOST_BYTES || bytes.includes('\n')) break;
  }
  const text = Buffer.concat(chunks).toString('utf8');
  const end = text.indexOf('\n');
  return end < 0 ? text : text.slice(0, end + 1);
}

function showRefused(
  { elements, problems }: Extract<Reading, { kind: 'refused' }>,
  to: Terminal,
): void {
  if (elements.length > 0) to.out('Refused; it reads:');
  for (const element of elements) to.out(elementLine(element));
  to.err(problemsAsText(problems));
}

function show(label: Label, followed: Followed, to: Terminal): void {
  for (const element of label.elements) to.out(elementLine(element));
  to.out(`Serial ${label.serial}, ${label.means}`);
  to.out(`Model ${label.model.name}, GTIN ${label.model.gtin}`);
  if (followed.kind === 'documents') {
    for (const [noun, document] of [
      ['Procedure', followed.procedure],
      ['Limits', followed.limits],
    ] as const) {
      to.out(`${noun} ${document.title}, issue ${String(document.issue)}, in ${document.file}`);
    }
  }
  for (const finding of label.findings) to.out(finding);
  if (followed.kind === 'refused') to.err(problemsAsText(followed.problems));
}

function elementLine(element: ElementString): string {
  const date = elementDate(element, currentYear());
  const meant = date === undefined ? '' : `, ${date}`;
  return `${`(${element.ai})`.padEnd(7)}${elementName(element.ai).padEnd(22)}${element.value}${meant}`;
}

function facts(label: Label, followed: Followed): object {
  const { code, name, gtin, revision } = label.model;
  const named = ({ id, issue, file }: Procedure | Limits): object => ({ id, issue, file });
  const isFound = followed.kind === 'documents';
  return {
    ...label,
    model: { code, name, gtin, revision },
    procedures: isFound ? [named(followed.procedure)] : [],
    limits: isFound ? [named(followed.limits)] : [],
    problems: isFound ? [] : followed.problems,
  };
}
