import { hertz, second } from '../../src/base/units.js';
import { gateOf, type Gate } from '../../src/capture/gate.js';
import type { StandModel } from '../../src/procedure/station.js';

/** A stand as the invented H12 has it, and what a test changes of it. */
export function standModel(over: Partial<StandModel> = {}): StandModel {
  return {
    version: 1,
    characterized: '2026-10-05T08:30:00Z',
    resonance: hertz(361),
    damping: 0.03,
    compliance: 1 / 6700,
    torqueDelay: second(0.34e-3),
    currentDelay: second(0),
    uncertainty: {
      resonance: 4,
      damping: 0.004,
      compliance: 3e-6,
      torqueDelay: 0.05e-3,
      currentDelay: 0.02e-3,
    },
    ...over,
  };
}

/** What a test says of a gate: scope "run" reaches the whole run, any other its own stage. */
export type SaidGate = Pick<
  Gate,
  'name' | 'scope' | 'holds' | 'observed' | 'allowed' | 'unit' | 'blames' | 'evidence'
> &
  Partial<Gate>;

/** Completes a gate as the program does. */
export function gateAs(said: SaidGate): Gate {
  const identity = {
    id: said.name.replaceAll(/[^a-z0-9]+/gu, '-'),
    concern: 'sensor',
    reach: said.scope === 'run' ? 'run' : 'stage',
    sense: 'at-most',
    ...said,
  } as const;
  return { ...gateOf(identity, said.scope, said), scope: said.scope };
}
