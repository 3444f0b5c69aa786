import { isMap, isScalar, isSeq, parseDocument } from 'yaml';
import { digestOf, type Json } from '../base/canonical.js';
import { throwIfAny } from '../base/error.js';
import type { StandModel } from './station.js';
import { readYaml } from './yaml.js';

/** A measured stand model and who measured it. */
export interface StandVersion extends StandModel {
  readonly by: string;
}

/**
 * Appends a version of the stand model to the description of a bench. Nothing else changes: comments,
 * order and layout stay, and earlier versions are kept.
 *
 * @param text - The description as it stands; it was read before, so it has a list of stand models.
 * @throws yaml/… when the text cannot be read.
 */
export function withStandVersion(text: string, file: string, version: StandVersion): string {
  const { located, problems } = readYaml(text, file);
  throwIfAny(problems);
  if (located === undefined) throw new Error(`${file} is unreadable for no reason`);
  const at = endOfStands(text, file);
  const newline = text.includes('\r\n') ? '\r\n' : '\n';
  const before = text.slice(0, at);
  const ended = before.endsWith('\n') ? before : `${before}${newline}`;
  const written = `${ended}${linesOf(version).join(newline)}${newline}${text.slice(at)}`;
  refuseAnyOtherChange(located.value, written, file);
  return written;
}

/** Where the list of stand models ends: after the last line that belongs to it. */
function endOfStands(text: string, file: string): number {
  const { contents } = parseDocument(text, { version: '1.2' });
  const pair = isMap(contents)
    ? contents.items.find(({ key }) => isScalar(key) && key.value === 'stand')
    : undefined;
  const list = pair?.value;
  if (!isSeq(list)) throw new Error(`${file} has no list of stand models`);
  const last = list.items.at(-1) as { readonly range?: readonly number[] } | undefined;
  const end = text.indexOf('\n', (last?.range?.[1] ?? list.range[1]) - 1);
  return end < 0 ? text.length : end + 1;
}

function linesOf(v: StandVersion): readonly string[] {
  const of = (value: number, expanded: number, unit: string, factor: number): string =>
    `{ value: ${digits(value * factor)} ${unit}, U: ${digits(expanded * factor)} ${unit} }`;
  const { uncertainty: U } = v;
  return [
    `  - version: ${String(v.version)}`,
    `    characterized: ${v.characterized}`,
    `    by: ${JSON.stringify(v.by)}`,
    `    resonance: ${of(v.resonance, U.resonance, 'Hz', 1)}`,
    `    damping: ${of(v.damping, U.damping, '%', 100)}`,
    `    compliance: ${of(v.compliance, U.compliance, 'µrad/(N·m)', 1e6)}`,
    `    torque-delay: ${of(v.torqueDelay, U.torqueDelay, 'ms', 1000)}`,
    `    current-delay: ${of(v.currentDelay, U.currentDelay, 'ms', 1000)}`,
  ];
}

/** Five digits: more than any stand can be known to. Never in exponent notation, which people misread. */
function digits(value: number): string {
  return String(Number(value.toPrecision(5))).includes('e')
    ? value.toFixed(9)
    : String(Number(value.toPrecision(5)));
}

function refuseAnyOtherChange(before: Json, text: string, file: string): void {
  const { located, problems } = readYaml(text, file);
  throwIfAny(problems);
  const after = located?.value;
  if (after !== undefined && digestOf(withoutLastStand(after)) === digestOf(before)) return;
  throw new Error(`adding a stand model to ${file} would have changed more than that`);
}

function withoutLastStand(document: Json): Json {
  const members = document as { readonly [key: string]: Json }; // a document is a mapping
  const stands = members['stand'] as readonly Json[]; // and this one has a list of stands
  return { ...members, stand: stands.slice(0, -1) };
}
