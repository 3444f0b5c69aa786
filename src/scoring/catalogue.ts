import { ELECTRICAL } from './electrical.js';
import { DYNAMIC_GATES } from './gates-dynamic.js';
import { STATIC_GATES } from './gates-static.js';
import { HEAT } from './heat.js';
import { LOOPS } from './loop.js';
import { PURITY } from './purity.js';
import { RESPONSE } from './response.js';
import type { Characteristic, GateRule } from './scoring.js';
import { SMOOTHING } from './smoothing.js';
import { STEADY } from './steady.js';
import { STEPS } from './steps.js';

/** Everything that can be scored, with its definition. There is no other list. */
export const CHARACTERISTICS: readonly Characteristic[] = [
  ...STEADY,
  ...LOOPS,
  ...STEPS,
  ...ELECTRICAL,
  ...RESPONSE,
  ...SMOOTHING,
  ...PURITY,
  ...HEAT,
];

/** Every gate that a stage may ask for besides the screening that each capture gets. */
export const GATES: readonly GateRule[] = [...STATIC_GATES, ...DYNAMIC_GATES];

const byId = new Map(CHARACTERISTICS.map((entry) => [entry.id, entry]));
const gatesById = new Map(GATES.map((entry) => [entry.id, entry]));

/** Finds a characteristic by its id. */
export function characteristic(id: string): Characteristic | undefined {
  return byId.get(id);
}

/** Finds a gate by its id. */
export function gateRule(id: string): GateRule | undefined {
  return gatesById.get(id);
}
