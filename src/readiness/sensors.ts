import type { Environment } from '../bench/bench.js';
import type { Check } from './readiness.js';

/** °C between which a hall with people in it can be; beyond, the thermometer is wrong. */
const HALL = { from: -10, to: 60 } as const;

/**
 * Judges whether the sensors of the surroundings say something that can be true. Whether it is what a
 * procedure allows is another check; the channels of the digitizer are judged by the screening of the
 * stages without power, before any torque.
 *
 * @returns One check for the thermometer, one for the hygrometer.
 */
export function sensorChecks({
  ambient,
  humidity,
}: Pick<Environment, 'ambient' | 'humidity'>): readonly Check[] {
  const isHall = ambient >= HALL.from && ambient <= HALL.to;
  const isMoist = humidity > 0 && humidity <= 1;
  const percent = (100 * humidity).toFixed(0);
  return [
    {
      name: 'thermometer of the bench',
      state: isHall ? 'ok' : 'failed',
      found: `it says ${ambient.toFixed(1)} °C; a hall is at ${HALL.from} … ${HALL.to} °C`,
      clear: 'maintenance',
    },
    {
      name: 'hygrometer of the bench',
      state: isMoist ? 'ok' : 'failed',
      found: `it says ${percent} % relative humidity; more than 0 % and at most 100 % can be`,
      clear: 'maintenance',
    },
  ];
}
