import { ANGLES } from './angles.js';
import { CLOSED_LOOP } from './closed-loop.js';
import { COHERENCE } from './coherence.js';
import { ELECTRICAL } from './electrical.js';
import { DYNAMIC_GATES } from './gates-dynamic.js';
import { START_GATES } from './gates-start.js';
import { STATIC_GATES } from './gates-static.js';
import { SUPPLY_GATES } from './gates-supply.js';
import { HEAT } from './heat.js';
import { LOOPS } from './loop.js';
import { PHASES } from './phase.js';
import { PLATEAUS } from './plateau.js';
import { PURITY } from './purity.js';
import { RESOLUTION } from './resolution.js';
import { RESPONSE } from './response.js';
import { RIPPLE } from './ripple.js';
import type { Characteristic, GateRule } from './scoring.js';
import { SHAFT_RESPONSE } from './shaft-response.js';
import { SILENCE } from './silence.js';
import { SMOOTHING } from './smoothing.js';
import { SOUND } from './sound.js';
import { STAND_FIT } from './stand-fit.js';
import { STEADY } from './steady.js';
import { STEPS } from './steps.js';
import { SWEEP } from './sweep.js';
import { TIMING, TIMING_GATES } from './timing.js';
import { UPDATES } from './updates.js';

/** Everything that can be scored, with its definition. There is no other list. */
export const CHARACTERISTICS: readonly Characteristic[] = [
  ...STEADY,
  ...RESOLUTION,
  ...LOOPS,
  ...STEPS,
  ...PLATEAUS,
  ...ELECTRICAL,
  ...UPDATES,
  ...RESPONSE,
  ...PHASES,
  ...COHERENCE,
  ...SHAFT_RESPONSE,
  ...SMOOTHING,
  ...SWEEP,
  ...PURITY,
  ...RIPPLE,
  ...HEAT,
  ...CLOSED_LOOP,
  ...SILENCE,
  ...ANGLES,
  ...SOUND,
  ...STAND_FIT,
  ...TIMING,
];

/** Every gate that a stage may ask for besides the screening that each capture gets. */
export const GATES: readonly GateRule[] = [
  ...STATIC_GATES,
  ...DYNAMIC_GATES,
  ...START_GATES,
  ...TIMING_GATES,
  ...SUPPLY_GATES,
];

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
