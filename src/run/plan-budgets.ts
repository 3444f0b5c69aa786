import type { Problem } from '../base/error.js';
import { oneOf, writeInstead } from '../base/report.js';
import type { Dimension } from '../base/units.js';
import type { Budget } from '../procedure/budget.js';
import type { MeasuredQuantity, Station } from '../procedure/station.js';
import type { Characteristic } from '../scoring/scoring.js';

/** Instruments without which a result is traceable to nothing, by what the result is. */
const NEEDED: Partial<Readonly<Record<Dimension, readonly MeasuredQuantity[]>>> = {
  torque: ['torque'],
  slew: ['torque'],
  stiffness: ['torque'],
  'torque constant': ['torque', 'current'],
  current: ['current'],
  voltage: ['voltage'],
  'sound level': ['sound pressure'],
  pressure: ['sound pressure'],
};

/** Holds the budgets of a bench against the catalogue: known, in the right dimension, traceable. */
export function checkBudgetsOf(
  station: Station,
  known: ReadonlyMap<string, Characteristic>,
): readonly Problem[] {
  return [...station.uncertainty].flatMap(([id, budget]): readonly Problem[] => {
    const characteristic = known.get(id);
    if (characteristic !== undefined) {
      return [
        ...checkDimensions(budget, characteristic, station),
        ...checkTraceable(budget, characteristic, station),
      ];
    }
    const what = `${station.id} states an uncertainty for "${id}", which is no known characteristic.`;
    const fix = writeInstead(id, known.keys(), 'Delete it.');
    return [{ code: 'limits/unknown', where: budget.where, what, fix }];
  });
}

function checkDimensions(
  { components, where }: Budget,
  { id, dimension, unit }: Characteristic,
  station: Station,
): readonly Problem[] {
  return components
    .filter((one) => one.dimension !== undefined && one.dimension !== dimension)
    .map((one): Problem => {
      const what = `${station.id} states "${one.what}" in the uncertainty of "${id}" as a ${String(one.dimension)}, but it is a ${dimension}.`;
      const fix = `Write it in ${unit}, or with a sensitivity in ${unit}.`;
      return { code: 'procedure/unit-mismatch', where, what, fix };
    });
}

function checkTraceable(
  { components, where }: Budget,
  { id, dimension }: Characteristic,
  station: Station,
): readonly Problem[] {
  const sources = components.flatMap(({ origin }) =>
    origin.kind === 'instrument' ? [origin.id] : [],
  );
  const measured = station.register
    .filter((instrument) => sources.includes(instrument.id))
    .map(({ quantity }) => quantity);
  return (NEEDED[dimension] ?? [])
    .filter((quantity) => !measured.includes(quantity))
    .map((quantity): Problem => {
      const what = `The budget of "${id}" has no component from an instrument that measures ${quantity}: nothing makes it traceable.`;
      const able = station.register.filter((i) => i.quantity === quantity).map((i) => i.id);
      const fix =
        able.length === 0
          ? `Enter such an instrument in the register of ${station.id}, then its component.`
          : `Add a component with from: instrument and of: ${oneOf(able)}.`;
      return { code: 'budget/component', where, what, fix };
    });
}
