import { isNonEmpty } from '../base/numbers.js';
import type { Capture, Screened, Screening, Take } from './capture.js';
import {
  channelsAlive,
  channelsPresent,
  clockRate,
  clockSteady,
  converterClip,
  deviceFault,
  dropOuts,
  samplesComplete,
  samplesInOrder,
  updatesLost,
  valuesFinite,
  LIVE,
  STANDSTILL,
} from './conditions.js';
import type { Expectations, Seen } from './conditions.js';
import { gateOf } from './gate.js';
import { idleSupply, windingPlausible } from './plausible.js';
import { findSuspects } from './suspects.js';

export type { Expectations } from './conditions.js';

const screened = new WeakSet<Capture>(); // a cast can forge the type, not membership here

/**
 * Judges whether a capture is fit to be scored.
 *
 * @returns Every gate, also those that hold. Updates that the device missed are the item's own
 * characteristic: they are told, and judged only when the link says it lost them.
 *
 * Check: tests/unit/screen.test.ts.
 */
export function screen(capture: Capture, expectations: Expectations): Screening {
  const takes = capture.takes.map((take, i): Seen => {
    const name = `take ${i + 1} of ${capture.takes.length} (smoothing ${take.settings.smoothing})`;
    return { take, name, suspects: suspectsOf(take, expectations) };
  });
  const findings = [
    samplesComplete(takes),
    samplesInOrder(takes),
    channelsPresent(takes),
    valuesFinite(takes),
    channelsAlive(takes),
    converterClip(takes),
    dropOuts(takes),
    windingPlausible(takes),
    ...idleSupply(takes, expectations),
    clockRate(takes, expectations),
    clockSteady(takes, expectations),
    deviceFault(takes, expectations),
    updatesLost(takes),
  ];
  const gates = findings.map((found) =>
    gateOf({ ...found, reach: 'stage', sense: 'at-most' }, capture.stage, {
      ...found,
      holds: found.observed <= found.allowed,
    }),
  );
  if (gates.some((gate) => !gate.holds) && isNonEmpty(gates)) {
    return { fit: false, stage: capture.stage, gates };
  }
  screened.add(capture);
  return { fit: true, capture: capture as Screened<Capture>, gates };
}

/** Tells whether `screen` found this very capture fit. */
export function isScreened(capture: Capture): capture is Screened<Capture> {
  return screened.has(capture);
}

function suspectsOf(take: Take, expectations: Expectations): Seen['suspects'] {
  const ranges = {
    torque: expectations.torqueRange,
    current: expectations.currentRange,
    supply: undefined,
  };
  const still = Math.max(2, Math.ceil(STANDSTILL * take.rate));
  return LIVE.flatMap((channel) => {
    const samples = take.channels[channel];
    if (samples === undefined) return [];
    return [[channel, findSuspects(samples, ranges[channel], still)] as const];
  });
}
