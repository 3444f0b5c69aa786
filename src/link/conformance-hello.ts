import { StallmarkError } from '../base/error.js';
import { type AdapterProcess, type Message, granted, plain, shown } from './conformance-adapter.js';

/** What an adapter said of itself, as far as it can be read. */
export interface AdapterHello {
  readonly protocol: unknown;
  readonly name: string;
  readonly maker: unknown;
  readonly version: unknown;
  /** Only a plain `true` counts. */
  readonly simulated: boolean;
  readonly roles: readonly string[];
  readonly drive: Message;
  readonly digitizer: Message;
}

/** ms until an adapter must have answered its first request. */
const HELLO_DEADLINE = 2000;

/** Calls an adapter. @throws link/… */
export async function callAdapter(adapter: AdapterProcess): Promise<AdapterHello> {
  const asked = { protocol: [1], runner: 'stallmark' };
  return readHello(granted('hello', await adapter.ask('hello', asked, HELLO_DEADLINE)));
}

function readHello(message: Message): AdapterHello {
  const { name, roles } = { name: message['name'], roles: message['roles'] };
  if (typeof name !== 'string' || name.trim() === '' || !Array.isArray(roles)) {
    const what = `hello tells the name ${shown(name)} and the roles ${shown(roles)}.`;
    const fix = 'Tell a name, and a list of roles out of drive, digitizer and interlock.';
    throw new StallmarkError([{ code: 'link/garbled', what, fix }]);
  }
  const abilities = asMessage(message['abilities']);
  return {
    protocol: message['protocol'],
    name: plain(name).trim(),
    maker: message['maker'],
    version: message['version'],
    simulated: message['simulated'] === true,
    roles: roles.map((role) => shown(role)),
    drive: asMessage(abilities['drive']),
    digitizer: asMessage(abilities['digitizer']),
  };
}

/** A mapping; empty where it is none. */
export function asMessage(value: unknown): Message {
  const isMapping = typeof value === 'object' && value !== null && !Array.isArray(value);
  return isMapping ? (value as Message) : {};
}

/** A finite number of a message. @throws link/garbled */
export function numberIn(message: Message, name: string): number {
  const value = message[name];
  if (typeof value === 'number' && Number.isFinite(value)) return value;
  const what = `"${name}" is ${shown(value)}.`;
  const fix = `Tell "${name}" as a finite number in the unit of its name.`;
  throw new StallmarkError([{ code: 'link/garbled', what, fix }]);
}

/** A channel as the adapter tells it. */
export interface ToldChannel {
  readonly name: string;
  readonly unit: string;
}

export function channelsOf(hello: AdapterHello): readonly ToldChannel[] {
  const told = hello.digitizer['channels'];
  if (!Array.isArray(told)) return [];
  return told.map(asMessage).map((one) => ({ name: shown(one['name']), unit: shown(one['unit']) }));
}

/** The fastest rate of samples that it tells, Hz; 0 where it tells none. */
export function fastestRate(hello: AdapterHello): number {
  const rates = hello.digitizer['rates_Hz'];
  return Array.isArray(rates)
    ? Math.max(0, ...rates.filter((rate) => typeof rate === 'number'))
    : 0;
}
