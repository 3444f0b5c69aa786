import { gateOf, type Gate, type GateIdentity } from '../capture/gate.js';
import { shown } from './reading.js';

/** An unloaded zero of the torque channel and the temperature at which it was read. */
export interface ZeroReading {
  /** N·m */
  readonly torque: number;
  /** °C */
  readonly ambient: number;
}

const IDENTITY: GateIdentity = {
  id: 'zero-drift',
  name: 'zero since the last run',
  concern: 'sensor',
  reach: 'run',
  sense: 'at-most',
  blames: 'stand',
};

/**
 * Judges how far the unloaded zero moved since the last run on the same bench: further than a sound
 * transducer does, and something happened to transducer, amplifier or clamp in between.
 *
 * It is judged when the record is decided and is no gate of the catalogue: those are pure functions of
 * the samples of one run, and the zero before lies in the ledger. Nothing is lost by judging it late,
 * because each run takes out its own zero and the shunt is proven before any torque. The temperatures
 * are told, not reckoned with: nobody states how the zero of a bridge goes with them.
 *
 * @param last - Of the last run, with when it was entered, ISO 8601.
 * @param allowed - N·m, from the description of the bench, > 0.
 *
 * Source: zero handling after DIN 51309 and EURAMET cg-14 ideas (from memory).
 */
export function zeroDriftGate(
  last: ZeroReading & { readonly at: string },
  now: ZeroReading,
  allowed: number,
): Gate {
  const observed = now.torque - last.torque;
  const told = ({ torque, ambient }: ZeroReading): string =>
    `${shown(1000 * torque)} mN·m at ${shown(ambient)} °C`;
  return gateOf(IDENTITY, 'run', {
    holds: Math.abs(observed) <= allowed,
    observed,
    allowed,
    unit: 'N·m',
    evidence: `The unloaded zero was ${told(last)} in the last run (${last.at}) and is ${told(now)}: it moved by ${shown(1000 * observed)} mN·m, allowed ± ${shown(1000 * allowed)}.`,
  });
}
