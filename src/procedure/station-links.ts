import { StallmarkError } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import { newtonMetre, second } from '../base/units.js';
import { readDialect } from './dialect.js';
import {
  ROLES,
  type ChannelInput,
  type Cia402Description,
  type Dialect,
  type LinkDescription,
  type LinkRole,
  type ModbusDescription,
  type PortPlace,
  type StationLinks,
  type TimingMethod,
} from './links.js';
import { decodeText } from './yaml.js';
import type { Values } from './values.js';

/** Files beside a bench description, by name. */
export type Beside = (name: string) => Uint8Array | undefined;

/** Protocols that can take a role; of SCPI the dialect says which. */
const PROTOCOLS: Readonly<Record<LinkRole, readonly string[]>> = {
  drive: ['wire', 'scpi', 'cia402'],
  digitizer: ['wire', 'scpi'],
  interlock: ['wire', 'modbus'],
};

/** Channels without which nothing can be scored, on a digitizer that measures in volts. */
const NEEDED = ['current', 'torque', 'supply', 'winding'] as const;

/** Checks that the links of a bench belong together. Adds every problem to `values`. */
export function checkLinks(values: Values, beside: Beside): void {
  const kind = values.textAt('/kind');
  const keys = ['links', 'roles', 'channels', 'timing', 'safe-touch'];
  if (kind === 'simulated') {
    for (const key of keys.filter((k) => values.has(`/${k}`))) {
      const what = `A simulated bench has no "${key}": its plant runs in this program.`;
      values.add('link/document', `/${key}`, what, 'Delete it, or write kind: emulated or real.');
    }
    return;
  }
  if (kind !== 'emulated' && kind !== 'real') return;
  for (const key of ['links', 'roles', 'timing', 'safe-touch'].filter(
    (k) => !values.has(`/${k}`),
  )) {
    const what = `A bench of kind "${kind}" has no "${key}".`;
    values.add('link/document', '/kind', what, `Write the key "${key}".`);
  }
  for (const [name] of values.members('/links')) checkLink(values, `/links/${name}`, beside);
  for (const role of ROLES) checkRole(values, role, beside);
  checkChannels(values);
}

function checkLink(values: Values, at: string, beside: Beside): void {
  const places = ['tcp', 'serial', 'command'].filter((key) => values.has(`${at}/${key}`));
  if (values.has(at) && places.length !== 1) {
    const what = `The link has ${places.length === 0 ? 'no place' : places.join(' and ')}.`;
    values.add('link/document', at, what, 'Write exactly one of tcp, serial and command.');
  }
  const port = Number(values.textAt(`${at}/tcp`)?.split(':').at(-1) ?? 1);
  if (!(port >= 1 && port <= 65_535)) {
    const what = `The port is ${port}, but must be 1 … 65535.`;
    values.add('link/document', `${at}/tcp`, what, 'Write the port of the device.');
  }
  if (values.textAt('/kind') === 'real') {
    for (const item of values.items(`${at}/command`)) {
      if (!/\{(?:serial|attempt)\}/u.test(values.textAt(item) ?? '')) continue;
      const what = `The command is told ${values.textAt(item) ?? ''}: a device says itself who it is.`;
      values.add('link/document', item, what, 'Leave it out; only emulators are told.');
    }
  }
  if (values.textAt(`${at}/protocol`) === 'scpi') dialectAt(values, at, beside);
}

function checkRole(values: Values, role: LinkRole, beside: Beside): void {
  const at = `/roles/${role}`;
  const name = values.textAt(at);
  if (name === undefined) return;
  const link = `/links/${name}`;
  const protocol = values.textAt(`${link}/protocol`);
  if (!values.has(link)) {
    const what = `The ${role} is the link "${name}", which there is not.`;
    const names = values.members('/links').map(([one]) => one);
    values.add('link/document', at, what, `Name one of ${names.join(', ')}.`);
  } else if (protocol !== undefined && !PROTOCOLS[role].includes(protocol)) {
    const what = `The link "${name}" speaks ${protocol}, which no ${role} does.`;
    values.add(
      'link/document',
      at,
      what,
      `Name a link that speaks ${PROTOCOLS[role].join(' or ')}.`,
    );
  } else if (protocol === 'scpi') {
    const dialect = dialectAt(values, link, beside, true);
    if (dialect === undefined || dialect.role === role) return;
    const what = `The dialect of the link "${name}" is that of a ${dialect.role}, not of a ${role}.`;
    values.add('link/document', at, what, `Name the link of a ${role}.`);
  }
}

function checkChannels(values: Values): void {
  const digitizer = values.textAt('/roles/digitizer');
  const protocol = values.textAt(`/links/${digitizer ?? ''}/protocol`);
  const stated = values.members('/channels').map(([name]) => name);
  if (protocol === 'wire' && stated.length > 0) {
    const what = 'Channels are scaled here, but an adapter tells values in their units.';
    values.add('link/document', '/channels', what, 'Delete "channels".');
  }
  if (protocol !== 'scpi') return;
  const needed = [...(values.textAt('/timing/method') === 'command' ? ['command'] : []), ...NEEDED];
  for (const channel of needed.filter((one) => !stated.includes(one))) {
    const what = `The digitizer measures in volts, and no input is stated for the channel "${channel}".`;
    const at = values.has('/channels') ? '/channels' : '/kind';
    values.add('link/document', at, what, `Write ${channel}: { input: …, per-volt: … }.`);
  }
  const inputs = stated.map((name) => Number(values.at(`/channels/${name}/input`)));
  for (const [i, name] of stated.entries()) {
    const input = inputs[i] ?? Number.NaN;
    if (Number.isNaN(input) || inputs.indexOf(input) === i) continue;
    const what = `Two channels are read from input ${input}.`;
    values.add('link/document', `/channels/${name}/input`, what, 'Give each its own input.');
  }
}

/** The dialect of a link; problems of it are told once, at the first reading. */
function dialectAt(
  values: Values,
  link: string,
  beside: Beside,
  isQuiet = false,
): Dialect | undefined {
  const file = values.textAt(`${link}/dialect`);
  if (file === undefined) return undefined;
  const bytes = beside(file);
  if (bytes === undefined) {
    if (isQuiet) return undefined;
    const what = `There is no dialect "${file}" beside ${values.file}.`;
    values.add('link/document', `${link}/dialect`, what, 'Name the file of the dialect.');
    return undefined;
  }
  const dialect = dialectIn(values, bytes, file, isQuiet);
  if (dialect === undefined) return undefined;
  const stated = values.textAt(`${link}/digest`);
  if (stated !== undefined && stated !== dialect.digest && !isQuiet) {
    const what = `The dialect "${file}" has the digest ${dialect.digest}, not the one stated: it was changed.`;
    const fix = `Have the change looked at, then write digest: ${dialect.digest}.`;
    values.add('link/document', `${link}/digest`, what, fix);
  }
  return dialect;
}

/** Reads a dialect; what is wrong with it is told beside what is wrong with the bench. */
function dialectIn(
  values: Values,
  bytes: Uint8Array,
  file: string,
  isQuiet: boolean,
): Dialect | undefined {
  try {
    return readDialect(decodeText(bytes, file), file);
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    if (!isQuiet) values.problems.push(...error.problems);
    return undefined;
  }
}

/** Builds the links of a bench that was checked; nothing for a simulated one. */
export function buildLinks(values: Values, beside: Beside): { readonly links?: StationLinks } {
  if (!values.has('/links')) return {};
  const names = values.members('/links').map(([name]) => name);
  return {
    links: {
      links: new Map(names.map((name) => [name, buildLink(values, `/links/${name}`, beside)])),
      roles: {
        drive: values.text('/roles/drive'),
        digitizer: values.text('/roles/digitizer'),
        interlock: values.text('/roles/interlock'),
      },
      channels: new Map(
        values
          .members('/channels')
          .map(([name]) => [name, buildInput(values, `/channels/${name}`)]),
      ),
      timing: {
        method: values.text('/timing/method') as TimingMethod, // the schema admits no other
        uncertainty: second(values.base('/timing/U')),
      },
      safeTouch: newtonMetre(values.base('/safe-touch')),
    },
  };
}

function buildLink(values: Values, at: string, beside: Beside): LinkDescription {
  const protocol = values.text(`${at}/protocol`);
  const place = placeOf(values, at);
  if (protocol === 'wire') return { protocol, place };
  if (place.kind === 'command') throw new Error('the schema let a command through');
  if (protocol === 'scpi') {
    const dialect = dialectAt(values, at, beside);
    if (dialect === undefined) throw new Error('a link without its dialect was let through');
    return { protocol, place, dialect };
  }
  if (protocol === 'cia402') return buildCia402(values, at, place);
  if (place.kind !== 'tcp') throw new Error('the schema let another place through');
  return buildModbus(values, at, place);
}

function buildCia402(
  values: Values,
  at: string,
  place: Cia402Description['place'],
): Cia402Description {
  const objects = values.members(`${at}/objects`).map(([name]): [string, number] => {
    const [index = '', sub = ''] = values.text(`${at}/objects/${name}`).split(':');
    return [name, (Number.parseInt(index, 16) << 8) | Number.parseInt(sub, 16)];
  });
  return {
    ...{ protocol: 'cia402', place, objects: new Map(objects) },
    bitRate: values.number(`${at}/bit-rate`),
    node: values.number(`${at}/node`),
    hostNode: values.number(`${at}/host-node`),
    sync: second(values.base(`${at}/sync`)),
    buffer: values.has(`${at}/buffer`) ? values.number(`${at}/buffer`) : 0,
  };
}

function buildModbus(
  values: Values,
  at: string,
  place: ModbusDescription['place'],
): ModbusDescription {
  const pair = (name: string): readonly [number, number] => [
    values.number(`${at}/lines/${name}/0`),
    values.number(`${at}/lines/${name}/1`),
  ];
  const optional = (name: string): boolean => values.has(`${at}/lines/${name}`);
  return {
    ...{ protocol: 'modbus', place },
    unit: values.number(`${at}/unit`),
    heartbeat: values.number(`${at}/heartbeat`),
    lines: {
      guard: pair('guard'),
      emergencyStop: pair('emergency-stop'),
      ...(optional('presence') ? { presence: pair('presence') } : {}),
      ...(optional('coupling') ? { coupling: pair('coupling') } : {}),
    },
  };
}

function placeOf(values: Values, at: string): PortPlace {
  if (values.has(`${at}/command`)) {
    const [first, ...rest] = values.items(`${at}/command`).map((item) => values.text(item));
    if (first === undefined) throw new Error('the schema let an empty command through');
    const command: NonEmpty<string> = [first, ...rest];
    return { kind: 'command', command };
  }
  if (values.has(`${at}/serial`)) {
    return {
      kind: 'serial',
      path: values.text(`${at}/serial/path`),
      baud: values.number(`${at}/serial/baud`),
    };
  }
  const text = values.text(`${at}/tcp`);
  const colon = text.lastIndexOf(':');
  return { kind: 'tcp', host: text.slice(0, colon), port: Number(text.slice(colon + 1)) };
}

function buildInput(values: Values, at: string): ChannelInput {
  return {
    input: values.number(`${at}/input`),
    perVolt: values.base(`${at}/per-volt`),
    at0V: values.has(`${at}/at-0-V`) ? values.base(`${at}/at-0-V`) : 0,
  };
}
