import type { Problem } from '../base/error.js';
import { nearestNames, oneOf, writeInstead } from '../base/report.js';
import { inUnit } from '../base/units.js';
import { acceptanceLimits, greatestAt, widthOf } from '../decision/row-risk.js';
import { hasGuardBand, RULES } from '../decision/rules.js';
import type { Limit, Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import type { Station } from '../procedure/station.js';
import type { Characteristic } from '../scoring/scoring.js';
import type { Documents } from './plan.js';
import { checkBudgetsOf } from './plan-budgets.js';

/** Checks every limit: known, fed by a stage, in the right dimension, decidable under its rule. */
export function checkLimitRows(
  { procedure, limits, station }: Documents,
  characteristics: readonly Characteristic[],
): readonly Problem[] {
  const known = new Map(characteristics.map((entry) => [entry.id, entry]));
  const rows = limits.rows.flatMap((row) => {
    const characteristic = known.get(row.characteristic);
    if (characteristic === undefined) return [refuseUnknown(row, [...known.keys()])];
    return [
      ...checkFeed(row, procedure),
      ...checkDimension(row, characteristic),
      ...checkDecidable(row, station),
    ];
  });
  return [...rows, ...checkBudgetsOf(station, known)];
}

function nameOf(row: Limit): string {
  return `${row.stage}.${row.characteristic}`;
}

function refuseUnknown(row: Limit, ids: readonly string[]): Problem {
  const what = `The limit "${nameOf(row)}" names the characteristic "${row.characteristic}", which is not known.`;
  const near = nearestNames(row.characteristic, ids).map((id) => `${row.stage}.${id}`);
  const fix = near.length > 0 ? `Write ${oneOf(near)}.` : 'Write a known characteristic.';
  return { code: 'limits/unknown', where: row.where, what, fix };
}

function checkFeed(row: Limit, procedure: Procedure): readonly Problem[] {
  const fed = procedure.stages.flatMap((stage) =>
    stage.reads.map(({ characteristic }) => `${stage.id}.${characteristic}`),
  );
  if (fed.includes(nameOf(row))) return [];
  const stage = procedure.stages.find(({ id }) => id === row.stage);
  const what =
    stage === undefined
      ? `The limit "${nameOf(row)}" names the stage "${row.stage}", which ${procedure.id} does not have.`
      : `The limit "${nameOf(row)}" waits for a value that stage "${row.stage}" does not read.`;
  const elsewhere = fed.filter((name) => name.endsWith(`.${row.characteristic}`)).slice(0, 3);
  const otherwise = `Read "${row.characteristic}" in stage "${row.stage}", or delete the limit.`;
  const fix =
    elsewhere.length > 0
      ? `Write ${oneOf(elsewhere)}, or read it there too.`
      : writeInstead(nameOf(row), fed, otherwise);
  return [{ code: 'limits/unfed', where: row.where, what, fix }];
}

function checkDimension(row: Limit, { dimension, unit }: Characteristic): readonly Problem[] {
  if (row.unit.dimension === dimension) return [];
  const what = `The limit "${nameOf(row)}" is in ${row.unit.symbol}, a ${row.unit.dimension}, but "${row.characteristic}" is a ${dimension}, shown in ${unit}.`;
  return [{ code: 'procedure/unit-mismatch', where: row.where, what, fix: `Write it in ${unit}.` }];
}

/** Above this share of the tolerance, uncertainty decides more than the item does. */
const WIDE = 1 / 4;

function checkDecidable(row: Limit, station: Station): readonly Problem[] {
  const stated = station.uncertainty.get(row.characteristic);
  if (stated === undefined) return hasGuardBand(row.rule) ? [refuseUnstated(row, station)] : [];
  const { tolerance } = row;
  const width = widthOf(tolerance);
  if (width === undefined) return []; // open above: any guard band leaves something; at most 0: a count
  const expanded = inText(greatestAt(tolerance, stated), row);
  const accepted = acceptanceLimits(tolerance, stated, row.rule);
  // Below a most the tolerance reaches down to 0: no value of a magnitude lies lower.
  if (accepted === undefined || (accepted.kind === 'at-most' && accepted.upper <= 0)) {
    const { name } = RULES[row.rule];
    const what = `The limit "${nameOf(row)}" leaves nothing to accept under ${name}: U is ${expanded} on a tolerance of ${inText(width, row)}.`;
    const fix = 'Widen the limit, lower the uncertainty, or write rule: simple.';
    return [{ code: 'limits/rule', where: row.where, what, fix }];
  }
  const share = greatestAt(tolerance, stated) / width;
  if (share <= WIDE) return [];
  const what = `U of "${nameOf(row)}" is ${expanded}, ${(100 * share).toFixed(0)} % of its tolerance of ${inText(width, row)}; a quarter is usual at most.`;
  const sequel = hasGuardBand(row.rule) ? 'items on HOLD' : 'wrong decisions';
  const fix = `Expect more ${sequel}; lower the uncertainty or widen the limit.`;
  return [{ code: 'limits/wide-uncertainty', where: row.where, what, fix }];
}

function refuseUnstated(row: Limit, station: Station): Problem {
  const what = `The limit "${nameOf(row)}" needs U for ${RULES[row.rule].name}, but ${station.id} states no uncertainty for "${row.characteristic}".`;
  const fix = `State it in ${station.file}, or write rule: simple.`;
  return { code: 'limits/uncertainty', where: row.where, what, fix };
}

function inText(value: number, { unit }: Limit): string {
  return `${String(inUnit(Number(value.toPrecision(3)), unit))} ${unit.symbol}`;
}

/** Notes stages that no limit and no gate needs: they cost time and heat. */
export function checkUnusedStages(procedure: Procedure, limits: Limits): readonly Problem[] {
  return procedure.stages
    .filter(({ id, gates }) => gates.length === 0 && !limits.rows.some((row) => row.stage === id))
    .map(({ id, where }) => ({
      code: 'limits/unused-stage',
      where,
      what: `No limit of ${limits.id} and no gate needs stage "${id}".`,
      fix: 'Limit a characteristic of it, or delete the stage.',
    }));
}
