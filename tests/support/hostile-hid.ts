import type { NonEmpty } from '../../src/base/numbers.js';
import { parseDescriptor, type HidDescriptor } from '../../src/link/hid-descriptor.js';
import { PidReports } from '../../src/link/hid-pid.js';
import { readField, type HidReport } from '../../src/link/hid-report.js';
import { noteError, outcome } from './hostile-cable.js';
import { OTHER_LAYOUT, STANDARD_LAYOUT } from './hid-descriptors.js';
import { between, mutated, oneOf, type Bytes } from './hostile-mutation.js';
import type { Told } from './hostile-runner.js';

const LAYOUTS: NonEmpty<Bytes> = [STANDARD_LAYOUT, OTHER_LAYOUT];
const FULL = 20;
const MOST_FIELDS = 4096;
const AIM = { axes: [0x0001_0030] as NonEmpty<number>, direction: 0 };

/** Mutates a report descriptor one to four times, then makes and reads reports of it. */
export function hostileDescriptor(random: () => number): Told {
  const told: Told = { ...outcome(), frames: 1, mutated: 1 };
  let bytes = oneOf(random, LAYOUTS);
  for (let i = between(random, 1, 4); i > 0; i--) bytes = mutated(bytes, random, LAYOUTS);
  try {
    const descriptor = parseDescriptor(bytes);
    if (descriptor.fields.length > MOST_FIELDS)
      told.findings.push(`${descriptor.fields.length} fields`);
    makeReports(descriptor, random, told);
    const { findings } = told; // what a report of another device says is refused, and no news
    const report = Uint8Array.from({ length: between(random, 0, 40) }, () =>
      between(random, 0, 255),
    );
    readReports(descriptor, random, { ...told, codes: new Set(), findings }, report);
  } catch (error) {
    noteError(told, 'a descriptor', error);
  }
  return told;
}

/** Mutates reports that a sound device sends, and reads them. */
export function hostileReport(random: () => number): Told {
  const told: Told = { ...outcome(), frames: 1, mutated: 1 };
  const layout = random() < 0.5 ? 0 : 1;
  const descriptor = PARSED[layout] ?? PARSED[0];
  const sent = SENT[layout] ?? SENT[0];
  const which = between(random, 0, sent.length - 1);
  readReport(descriptor, which, told, mutated(sent[which] ?? sent[0], random, sent));
  return told;
}

const PARSED: NonEmpty<HidDescriptor> = [
  parseDescriptor(STANDARD_LAYOUT),
  parseDescriptor(OTHER_LAYOUT),
];
/** State, block load and pool as devices of the two layouts send them. */
const SENT: NonEmpty<NonEmpty<Bytes>> = [
  [
    Uint8Array.of(2, 0x1f, 0x03),
    Uint8Array.of(2, 1, 1, 0xff, 0x0f),
    Uint8Array.of(3, 0xff, 0x1f, 16, 1),
  ],
  [Uint8Array.of(0x52, 0x41), Uint8Array.of(0x51, 0x01, 5)],
];

function attempt(told: Told, where: string, act: () => void): void {
  try {
    act();
  } catch (error) {
    noteError(told, where, error);
  }
}

function makeReports(descriptor: HidDescriptor, random: () => number, told: Told): void {
  const reports = new PidReports(descriptor, FULL);
  const torque = oneOf(random, [0, 1.5, -1.5, 20, -20, 25]);
  const made: HidReport[] = [];
  attempt(told, 'setConstant', () => made.push(reports.setConstant(1, torque)));
  attempt(told, 'constantTorque', () => made.push(...reports.constantTorque(1, torque, 0.05, AIM)));
  attempt(told, 'control', () => made.push(reports.control('stopAll')));
  attempt(told, 'createEffect', () => made.push(reports.createEffect('constantForce')));
  for (const { bytes } of made) {
    if (bytes.length > 4097) told.findings.push(`a report of ${bytes.length} bytes`);
  }
}

/** @param which - 0 state, 1 block load, 2 pool. */
function readReport(descriptor: HidDescriptor, which: number, told: Told, bytes: Bytes): void {
  const reports = new PidReports(descriptor, FULL);
  attempt(told, `report ${which}`, () => {
    if (which === 2) reports.readPool(bytes);
    else {
      const { block } = which === 0 ? reports.readState(bytes) : reports.readBlockLoad(bytes);
      if (!Number.isInteger(block) || block < which) told.findings.push(`block ${block}`);
    }
  });
}

function readReports(
  descriptor: HidDescriptor,
  random: () => number,
  told: Told,
  bytes: Bytes,
): void {
  for (const which of [0, 1, 2]) readReport(descriptor, which, told, bytes);
  const field = descriptor.fields[between(random, 0, descriptor.fields.length - 1)];
  if (field === undefined) return;
  const value = readField(descriptor, bytes, field);
  if (!Number.isInteger(value)) told.findings.push(`a field reads as ${value}`);
}
