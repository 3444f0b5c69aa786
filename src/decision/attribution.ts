import type { Gate } from '../capture/gate.js';
import type { ItemFault } from './decision.js';

/** Something read apart from the item after a run broke off, when the bench was safe. */
export interface Apart {
  /**
   * safety-lines: guard, emergency stop and hold-to-run device · supply: the bus voltage against the
   * band of the procedure · silence: the item still gives no answer while the other two do.
   */
  readonly channel: 'safety-lines' | 'supply' | 'silence';
  /** Whether it leaves the item as the only cause. */
  readonly clears: boolean;
  /** A clause for people, e.g. "supply 48.1 V, allowed 46 … 50 V". */
  readonly found: string;
}

/** Everything that may speak for or against the item. */
export interface Signs {
  /** Every gate that was judged before, whether it holds or not. */
  readonly gates: readonly Gate[];
  /** What broke the run off: its error code and what it said; absent when no error did. */
  readonly broke?: { readonly code: string; readonly what: string };
  /** What was read apart from the item afterwards; what could not be read is left out. */
  readonly apart?: readonly Apart[];
}

interface Attribution {
  /** Code of what broke the run off, or id of a gate that does not hold and blames the item. */
  readonly sign: { readonly code: string } | { readonly gate: string };
  /** Channels that must have been read and must clear. */
  readonly apart: readonly Apart['channel'][];
  /** Gates that must have been judged, of the stage of the sign or of the run, and hold each time. */
  readonly gates: readonly string[];
  /** Why that is proof enough. */
  readonly because: string;
}

/**
 * What proves a fault of the item, so that it is rejected and gets no free retest. A sign alone never
 * does: it needs evidence from channels or gates in which the item has no hand, and no gate that points
 * at stand, link or operator may be closed. What is not in this table is HOLD.
 *
 * | sign | second evidence |
 * | - | - |
 * | `bench/device-fault`: the device reports a fault and drops its torque | safety lines closed, supply in its band |
 * | `bench/unreachable`: the device stops answering | safety lines and supply do answer and are right, the device still does not |
 * | gate `device-fault`: a fault code in a stage that nothing broke off | no sample and no update of that stage was lost; supply kept |
 * | gate `polarity` that points at the item: right direction, wrong amount of torque | the shunt proves the torque channel, nobody touches the item |
 *
 * Source: common practice, no source. Check: tests/unit/attribution.test.ts.
 */
export const ATTRIBUTIONS: readonly Attribution[] = [
  {
    sign: { code: 'bench/device-fault' },
    apart: ['safety-lines', 'supply'],
    gates: [],
    because: 'the device says so itself, and nothing outside it took its torque or its supply away',
  },
  {
    sign: { code: 'bench/unreachable' },
    apart: ['safety-lines', 'supply', 'silence'],
    gates: [],
    because: 'the bench answers over the same link, and the device alone does not',
  },
  {
    sign: { gate: 'device-fault' },
    apart: [],
    gates: ['samples-complete', 'samples-in-order', 'updates-lost', 'supply-kept'],
    because: 'its report came over a link that lost nothing, and its supply was kept',
  },
  {
    sign: { gate: 'polarity' },
    apart: [],
    gates: ['shunt', 'zero-noise'],
    because: 'the shunt proves the torque channel, and nobody touched the item',
  },
];

/**
 * Says whether the item itself is at fault, as the table above has it.
 *
 * @returns Undefined when no sign points at the item, evidence is missing, or anything else may be the cause.
 */
export function itemFaultOf(signs: Signs): ItemFault | undefined {
  if (signs.gates.some((gate) => !gate.holds && gate.blames !== 'item')) return undefined;
  for (const attribution of ATTRIBUTIONS) {
    const sign = signOf(attribution, signs);
    if (sign === undefined) continue;
    const evidence = evidenceFor(attribution, sign.scope, signs);
    if (evidence !== undefined) return { what: sign.what, evidence };
  }
  return undefined;
}

function signOf(
  { sign }: Attribution,
  { gates, broke }: Signs,
): { readonly what: string; readonly scope: string } | undefined {
  if ('code' in sign) {
    return broke?.code === sign.code ? { what: broke.what, scope: 'run' } : undefined;
  }
  if (broke !== undefined) return undefined; // the error is what has to be explained
  const closed = gates.find((gate) => gate.id === sign.gate && !gate.holds);
  return closed === undefined ? undefined : { what: closed.evidence, scope: closed.scope };
}

/** The second evidence in one sentence, or undefined when a part of it is missing or does not clear. */
function evidenceFor(
  { apart, gates, because }: Attribution,
  scope: string,
  signs: Signs,
): string | undefined {
  const found: string[] = [];
  for (const channel of apart) {
    const read = signs.apart?.find((one) => one.channel === channel);
    if (read?.clears !== true) return undefined;
    found.push(read.found);
  }
  for (const id of gates) {
    const judged = signs.gates.filter(
      (gate) => gate.id === id && (gate.scope === scope || gate.scope === 'run'),
    );
    if (judged.length === 0 || judged.some((gate) => !gate.holds)) return undefined;
    found.push(`gate "${judged[0]?.name ?? id}" holds`);
  }
  return `Not by the item: ${because} (${found.join('; ')}).`;
}
