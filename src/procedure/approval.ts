import { LineCounter, Scalar, isMap, isScalar, parseDocument, stringify } from 'yaml';
import type { Json } from '../base/canonical.js';
import { throwIfAny } from '../base/error.js';
import type { Place, Problem } from '../base/error.js';
import type { Approval } from './procedure.js';
import { contentDigest } from './schema.js';
import { readYaml } from './yaml.js';

/** A document that may carry an approval. */
export interface Approvable {
  readonly file: string;
  readonly digest: string;
  readonly approval?: Approval;
}

/** Says whether a document is approved, and unchanged since; no problem means it is both. */
export function checkApproval(document: Approvable): readonly Problem[] {
  const { file, digest, approval } = document;
  const where: Place = { file, line: 1, column: 1, length: 0 };
  if (approval === undefined) {
    const what = `"${file}" is not approved, but items are tested to approved documents only.`;
    const fix = 'Have it approved by a quality engineer: stallmark approve.';
    return [{ code: 'document/not-approved', where, what, fix }];
  }
  if (approval.digest === digest) return [];
  const what = `"${file}" says ${digest}, but ${approval.by} approved ${approval.digest} on ${approval.on}.`;
  const fix = 'Undo the change, or have the document approved again.';
  return [{ code: 'document/changed', where, what, fix }];
}

/**
 * Writes an approval of the content as it stands into a document.
 *
 * Only the lines of the approval change: comments, order and layout of everything else stay. It
 * replaces an earlier approval, or goes before the first mapping or list of the document.
 *
 * @throws yaml/… when the text cannot be read.
 */
export function approve(text: string, file: string, approval: Omit<Approval, 'digest'>): string {
  const { located, problems } = readYaml(text, file);
  throwIfAny(problems);
  if (located === undefined) throw new Error(`${file} is unreadable for no reason`);
  const lines = blockOf({ ...approval, digest: contentDigest(located.value) });
  const newline = text.includes('\r\n') ? '\r\n' : '\n';
  const [start, end] = spanOf(text);
  const before = text.slice(0, start);
  const ended = before === '' || before.endsWith('\n') ? before : `${before}${newline}`;
  const approved = `${ended}${lines.replaceAll('\n', newline)}${text.slice(end)}`;
  refuseAnyOtherChange(located.value, approved, file);
  return approved;
}

function blockOf({ by, role, on, digest }: Approval): string {
  const date = new Scalar(on);
  return stringify({ approved: { by, role, date, digest } }, { lineWidth: 0, version: '1.2' });
}

/** Where the approval goes: whole lines, empty when there is none yet. */
function spanOf(text: string): readonly [number, number] {
  const counter = new LineCounter();
  const { contents } = parseDocument(text, { version: '1.2', lineCounter: counter });
  if (!isMap(contents)) return [text.length, text.length];
  const pairs = contents.items.map((pair) => ({
    key: isScalar(pair.key) ? pair.key.value : undefined,
    start: pair.key.range[0],
    flat: isScalar(pair.value),
  }));
  const old = pairs.findIndex(({ key }) => key === 'approved');
  if (old < 0) {
    const first = pairs.find(({ flat }) => !flat)?.start ?? text.length;
    const at = commentsBefore(text, first);
    return [at, at];
  }
  const next = pairs[old + 1]?.start ?? text.length;
  return [pairs[old]?.start ?? 0, endOfBlock(text, pairs[old]?.start ?? 0, next)];
}

/** Comment lines directly above a key belong to it. */
function commentsBefore(text: string, key: number): number {
  const above = /(?:^[ ]*#[^\n]*\n)+$/m.exec(text.slice(0, key));
  return above === null || above.index === 0 ? key : above.index;
}

/** The end of the indented lines of a block, so that blank lines and comments after it stay. */
function endOfBlock(text: string, start: number, next: number): number {
  const block = /^[^\n]*\n(?:[ ]+[^\n]*\n)*/.exec(text.slice(start, next));
  return block === null ? next : start + block[0].length;
}

function refuseAnyOtherChange(before: Json, text: string, file: string): void {
  const { located, problems } = readYaml(text, file);
  throwIfAny(problems);
  if (located !== undefined && contentDigest(located.value) === contentDigest(before)) return;
  throw new Error(`approving ${file} would have changed more than its approval`);
}
