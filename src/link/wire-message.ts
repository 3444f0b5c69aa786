import { unreachable } from '../base/error.js';
import { isNonEmpty, type NonEmpty } from '../base/numbers.js';
import { ROLES, type LinkRole } from '../procedure/links.js';
import { MessageReader, plainText, type Members } from './message-reader.js';
import type { WireReport } from './wire-samples.js';

/** The version of stallmark-link that is spoken here. */
export const WIRE_PROTOCOL = 1;

/** A control message of an adapter. */
export type WireMessage =
  | { readonly kind: 'reply'; readonly re: number; readonly members: Members }
  | {
      readonly kind: 'refusal';
      readonly re: number;
      readonly code: string;
      readonly what: string;
    }
  | { readonly kind: 'event'; readonly event: WireEvent }
  | { readonly kind: 'garbled'; readonly found: NonEmpty<string> };

/** What an adapter tells unasked. */
export type WireEvent =
  | { readonly is: 'fault'; readonly fault: number; readonly what: string }
  | { readonly is: 'off'; readonly reason: string; readonly at: number }
  | { readonly is: 'lines'; readonly lines: WireLines }
  | { readonly is: 'end'; readonly take: number; readonly samples: number }
  | { readonly is: 'log'; readonly what: string };

/** Safety lines in the words of `Interlocks`. */
export interface WireLines {
  readonly guard: 'closed' | 'open' | 'contradictory';
  readonly emergencyStop: 'released' | 'pressed' | 'contradictory';
  readonly presence: 'held' | 'released' | 'contradictory';
  readonly coupling?: 'seated' | 'loose' | 'contradictory';
}

/** What an adapter says of itself first. */
export interface Hello {
  readonly name: string;
  readonly maker: string;
  readonly version: string;
  readonly serial?: string;
  readonly simulated: boolean;
  readonly roles: readonly LinkRole[];
  readonly drive?: DriveTold;
  readonly digitizer?: DigitizerTold;
}

export interface DriveTold {
  /** s, from and to; absent where there is no dead-man. */
  readonly deadMan?: readonly [number, number];
  /** Hz */
  readonly maximumUpdates: number;
  readonly smoothing: readonly number[];
  readonly setsSlew: boolean;
  readonly silence: boolean;
  readonly closedLoop: boolean;
  /** N·m */
  readonly ceilingStep: number;
}

export interface DigitizerTold {
  /** Hz */
  readonly rates: readonly number[];
  readonly channels: readonly { readonly name: string; readonly unit: string }[];
  readonly fixtures: readonly WireFixture[];
  readonly indexing: 'bench' | 'operator' | 'none';
  readonly trigger: boolean;
  readonly marksStop: boolean;
}

const FIXTURES = ['coupled', 'uncoupled', 'shunt', 'shunt-negative', 'timing'] as const;
export type WireFixture = (typeof FIXTURES)[number];
const COMPONENTS = ['motor', 'drive', 'encoder'] as const;

export interface WireIdentity {
  readonly model: string;
  readonly serial: string;
  readonly firmware: string;
  readonly firmwareDigest: string;
  readonly revision?: string;
  readonly components?: readonly {
    readonly kind: (typeof COMPONENTS)[number];
    readonly serial: string;
  }[];
  readonly parametersDigest?: string;
}

export interface WireEnvironment {
  /** °C */
  readonly ambient: number;
  readonly humidity: number;
  /** V */
  readonly supply: number;
  /** s */
  readonly poweredFor?: number;
  readonly adapter?: { readonly id: string; readonly kind: string; readonly serial: string };
}

/**
 * Reads the payload of a control frame of an adapter.
 *
 * Members that are not known are left alone: a later version may have more of them.
 *
 * @returns `garbled` with all that is wrong, each in a clause that follows the name of the sender.
 */
export function readMessage(payload: Uint8Array): WireMessage {
  const members = membersOf(payload);
  if (typeof members === 'string') return { kind: 'garbled', found: [members] };
  const reader = new MessageReader(members);
  const message = reader.has('event') ? eventOf(reader) : answerOf(reader, members);
  return isNonEmpty(reader.found) ? { kind: 'garbled', found: reader.found } : message;
}

function membersOf(payload: Uint8Array): Members | string {
  let value: unknown;
  try {
    value = JSON.parse(new TextDecoder('utf-8', { fatal: true }).decode(payload));
  } catch (error) {
    return `sent no JSON: ${plainText(error instanceof Error ? error.message : '', 80)}`;
  }
  const isMapping = typeof value === 'object' && value !== null && !Array.isArray(value);
  return isMapping ? (value as Members) : 'sent JSON that is no mapping';
}

function answerOf(reader: MessageReader, members: Members): WireMessage {
  const re = reader.count('re');
  if (reader.flag('ok')) return { kind: 'reply', re, members };
  return { kind: 'refusal', re, code: reader.text('code', 60), what: reader.text('what') };
}

const EVENTS = ['fault', 'off', 'lines', 'end', 'log'] as const;

function eventOf(reader: MessageReader): WireMessage {
  const event = (event: WireEvent): WireMessage => ({ kind: 'event', event });
  const is = reader.word('event', EVENTS);
  switch (is) {
    case 'fault':
      return event({ is, fault: reader.count('fault'), what: reader.text('what') });
    case 'off':
      return event({ is, reason: reader.text('reason'), at: reader.number('at_ns', 0) });
    case 'lines':
      return event({ is, lines: readLines(reader) });
    case 'end':
      return event({ is, take: reader.count('take'), samples: reader.count('samples') });
    case 'log':
      return event({ is, what: reader.text('what') });
    case undefined:
      return event({ is: 'log', what: '' }); // the reader tells what is wrong
    default:
      return unreachable(is);
  }
}

/** Reads the reply to `hello`, after its version was found to be ours. */
export function readHello(from: MessageReader): Hello {
  const roles = from.each('roles', 3, (role) => role.wordOf(ROLES)).filter((r) => r !== undefined);
  const abilities = from.mapping('abilities');
  const drive = roles.includes('drive') ? driveOf(abilities?.mapping('drive')) : {};
  const digitizer = roles.includes('digitizer') ? digitizerOf(abilities?.mapping('digitizer')) : {};
  return {
    name: from.text('name', 80),
    maker: from.text('maker', 80),
    version: from.text('version', 80),
    ...from.optional('serial', (name) => from.text(name, 80)),
    simulated: from.flag('simulated'),
    roles,
    ...drive,
    ...digitizer,
  };
}

function driveOf(from: MessageReader | undefined): { readonly drive?: DriveTold } {
  if (from === undefined) return {};
  return {
    drive: {
      ...deadManOf(from),
      maximumUpdates: from.number('maximumUpdates_Hz'),
      smoothing: from.each('smoothing', 6, (one) => one.numberOf()),
      setsSlew: from.flag('setsSlew'),
      silence: from.flag('silence'),
      closedLoop: from.flag('closedLoop'),
      ceilingStep: from.number('ceilingStep_Nm'),
    },
  };
}

function deadManOf(from: MessageReader): Pick<DriveTold, 'deadMan'> {
  if (from.isNull('deadMan_s')) return {};
  const [least, most, ...more] = from.each('deadMan_s', 2, (one) => one.numberOf());
  if (least !== undefined && most !== undefined && more.length === 0) {
    return { deadMan: [least, most] };
  }
  from.add('deadMan_s', 'a list of least and most, or null');
  return {};
}

function digitizerOf(from: MessageReader | undefined): { readonly digitizer?: DigitizerTold } {
  if (from === undefined) return {};
  const fixtures = from.each('fixtures', FIXTURES.length, (one) => one.wordOf(FIXTURES));
  return {
    digitizer: {
      rates: from.each('rates_Hz', 64, (one) => one.numberOf()),
      channels: from.each('channels', 64, (one) => {
        const channel = one.mappingOf();
        return { name: channel?.text('name', 40) ?? '', unit: channel?.text('unit', 20) ?? '' };
      }),
      fixtures: fixtures.filter((fixture) => fixture !== undefined),
      indexing: from.word('indexing', ['bench', 'operator', 'none'] as const) ?? 'none',
      trigger: from.flag('trigger'),
      marksStop: from.flag('marksStop'),
    },
  };
}

/** Reads the reply to `identify`. */
export function readIdentity(from: MessageReader): WireIdentity {
  const components = from.optional('components', (name) =>
    from
      .each(name, 32, (one) => {
        const part = one.mappingOf();
        const kind = part?.word('kind', COMPONENTS);
        return kind === undefined ? undefined : { kind, serial: part?.text('serial', 80) ?? '' };
      })
      .filter((component) => component !== undefined),
  );
  return {
    model: from.text('model', 80),
    serial: from.text('serial', 80),
    firmware: from.text('firmware', 80),
    firmwareDigest: from.text('firmwareDigest', 80),
    ...from.optional('revision', (name) => from.text(name, 80)),
    ...components,
    ...from.optional('parametersDigest', (name) => from.text(name, 80)),
  };
}

/** Reads the reply to `environment`. */
export function readEnvironment(from: MessageReader): WireEnvironment {
  const adapter = from.optional('adapter', (name) => {
    const part = from.mapping(name);
    const text = (member: string): string => part?.text(member, 80) ?? '';
    return { id: text('id'), kind: text('kind'), serial: text('serial') };
  });
  const poweredFor = from.has('poweredFor_s') ? { poweredFor: from.number('poweredFor_s', 0) } : {};
  return {
    ambient: from.number('ambient_C', -273.15),
    humidity: from.number('humidity', 0, 1),
    supply: from.number('supply_V'),
    ...poweredFor,
    ...adapter,
  };
}

/** Reads safety lines, of an event or of a reply. */
export function readLines(from: MessageReader): WireLines {
  const coupling = from.has('coupling')
    ? from.word('coupling', ['seated', 'loose', 'contradictory'] as const)
    : undefined;
  const guard = from.word('guard', ['closed', 'open', 'contradictory'] as const);
  const stop = from.word('emergencyStop', ['released', 'pressed', 'contradictory'] as const);
  const presence = from.word('presence', ['held', 'released', 'contradictory'] as const);
  return {
    guard: guard ?? 'open',
    emergencyStop: stop ?? 'pressed',
    presence: presence ?? 'released',
    ...(coupling === undefined ? {} : { coupling }),
  };
}

/** Reads the reply to `status`. */
export function readReport(from: MessageReader): WireReport & { readonly complaint?: string } {
  const told = (member: string, name: string): object =>
    from.has(member) ? { [name]: from.number(member, 0) } : {};
  return {
    updates: from.number('updates', 0),
    missing: from.number('missing', 0),
    ...told('linkLost', 'linkLost'),
    ...told('gap_s', 'gap'),
    ...told('jitter_s', 'jitter'),
    ...told('duty', 'duty'),
    time: from.number('time_s', 0),
    fault: from.count('fault'),
    torqueEnabled: from.flag('torqueEnabled'),
    ...from.optional('complaint', (name) => from.text(name)),
  };
}
