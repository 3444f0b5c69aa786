import { type Problem, throwIfAny } from '../base/error.js';
import { writeInstead } from '../base/report.js';
import { FIRMWARE_FAULTS, MOTOR_FAULTS } from './item-faults.js';
import { OPERATOR_FAULTS } from './operator-faults.js';
import { SENSOR_FAULTS } from './sensor-faults.js';
import { type Fault, SEVERITIES, type Severity } from './severity.js';
import { SITE_FAULTS } from './site-faults.js';
import type { Parameters } from './spread.js';
import { LINK_FAULTS, STAND_FAULTS } from './stand-faults.js';

export { type Fault, SEVERITIES, type Severity } from './severity.js';

/** Every fault by name. To add another, or one of another blame, go to the lists it is made of. */
export const FAULTS = [
  ...MOTOR_FAULTS,
  ...FIRMWARE_FAULTS,
  ...STAND_FAULTS,
  ...SENSOR_FAULTS,
  ...SITE_FAULTS,
  ...LINK_FAULTS,
  ...OPERATOR_FAULTS,
] as const satisfies readonly Fault[];

type Name = (typeof FAULTS)[number]['name'];
/** A fault of the middle severity by its name alone, or any other as "name:severity". */
export type FaultName = Name | `${Name}:${Severity}`;

/** A fault at the severity it was asked for. */
export interface Chosen {
  readonly fault: Fault;
  readonly severity: Severity;
}

/** Finds a fault and its severity by what names both. */
export function faultNamed(text: FaultName): Chosen {
  const chosen = find(text);
  if (chosen === undefined) throw new Error(`no fault ${text}`); // the type rules it out
  return chosen;
}

function find(text: string): Chosen | undefined {
  const [name, severity = 'middle', ...rest] = text.split(':');
  const fault = FAULTS.find((f) => f.name === name);
  const found = SEVERITIES.find((s) => s === severity);
  return fault === undefined || found === undefined || rest.length > 0
    ? undefined
    : { fault, severity: found };
}

/**
 * Checks the names of faults as a person wrote them.
 *
 * @throws usage/argument for each one that is unknown, and each that is asked for twice.
 */
export function readFaults(texts: readonly string[]): readonly FaultName[] {
  const seen = new Set<string>();
  const found: Problem[] = [];
  for (const text of texts) {
    const name = text.split(':')[0] ?? '';
    if (!isFaultName(text)) found.push(unknown(text, name));
    else if (seen.has(name)) {
      const what = `The fault "${name}" is asked for twice.`;
      found.push({ code: 'usage/argument', what, fix: 'Choose one severity of it.' });
    }
    seen.add(name);
  }
  throwIfAny(found);
  return texts.filter(isFaultName);
}

const isFaultName = (text: string): text is FaultName => find(text) !== undefined;

function unknown(text: string, name: string): Problem {
  const names = FAULTS.map((f) => f.name);
  if (!names.some((known) => known === name)) {
    const what = `The simulated bench knows no fault "${name}".`;
    const fix = writeInstead(name, names, `Give one of: ${names.join(', ')}.`);
    return { code: 'usage/argument', what, fix };
  }
  const severity = text.slice(name.length + 1);
  const what = `The fault "${name}" has no severity "${severity}".`;
  const all = SEVERITIES.map((s) => `${name}:${s}`).join(', ');
  const near = writeInstead(severity, SEVERITIES, '');
  return { code: 'usage/argument', what, fix: near === '' ? `Give one of: ${all}.` : near };
}

/** Applies faults by name, in the order of the lists. */
export function withFaults(good: Parameters, names: readonly FaultName[]): Parameters {
  return names
    .map(faultNamed)
    .sort((a, b) => placeOf(a) - placeOf(b))
    .reduce(
      (parameters, { fault, severity }) => fault.severities[severity].change(parameters),
      good,
    );
}

const placeOf = ({ fault }: Chosen): number => FAULTS.findIndex((f) => f.name === fault.name);

/** Lists every fault for people, one line each, under whom it should be blamed on. */
export function listFaults(): string {
  const wide = Math.max(...FAULTS.map((f) => f.name.length));
  const lines = FAULTS.map(
    ({ name, blames, severities }) =>
      `  ${name.padEnd(wide)}  ${blames.padEnd(8)}  ${severities.middle.what}`,
  );
  const how = `Faults that --fault can give, as name or name:severity (${SEVERITIES.join(', ')}; middle if left out), and whom the runner should blame:`;
  return `${how}\n${lines.join('\n')}`;
}
