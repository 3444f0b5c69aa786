import type { Clock } from '../base/clock.js';
import type { ErrorCode } from '../base/codes.js';
import type { StallmarkError } from '../base/error.js';
import type { Channel } from '../bench/bench.js';
import { openPort } from '../link/open-port.js';
import type { Hello } from '../link/wire-message.js';
import { REPLY_DEADLINE } from '../link/wire-requests.js';
import { WireSession, type SessionListener } from '../link/wire-session.js';
import type { LinkRole, PortPlace } from '../procedure/links.js';
import { abilitiesOf, channelsOf, type WireAbilities } from './wire-abilities.js';

/** ms: the ramp itself takes at most 200 ms. */
const RAMP_DEADLINE = 200 + REPLY_DEADLINE;

/** An adapter that answered the call and is what is wanted. */
export interface Called {
  readonly session: WireSession;
  readonly hello: Hello;
  readonly abilities: WireAbilities;
  /** In the order of its sample frames. */
  readonly channels: readonly Channel[];
}

/** Who is called, and what is known of it. */
export interface Call {
  readonly name: string;
  readonly place: PortPlace;
  readonly clock: Clock;
  readonly roles: readonly LinkRole[];
  /** Who answered the call before. */
  readonly known: Hello | undefined;
  readonly listener: SessionListener;
  readonly log: (line: string) => void;
}

/** What to do about what was found wrong here: an adapter that hears of the end is off by rule. */
const FIXES = {
  'link/garbled': 'Correct the adapter: procedures/links/README.md tells its language.',
  'link/gap': 'See what loses blocks between the device and this program, then start anew.',
  'link/duplicate': 'Correct the adapter: every block is sent once, in order.',
  'link/clock': 'Look at the clock of the device and at whatever sets it.',
  'link/read-back': 'Look at the device before anyone tries again.',
  'link/ability': 'Correct the adapter, or use another bench.',
  'link/identity': 'Connect the instrument of before, or open the bench anew.',
  'link/version': 'Install an adapter of this version.',
} as const satisfies Partial<Record<ErrorCode, string>>;

/** What ends a conversation from this side. */
export type Breach = keyof typeof FIXES;

/** Whether it was this program that ended the conversation, so that the other end heard of it. */
export const isBreach = (code: ErrorCode): code is Breach => Object.hasOwn(FIXES, code);

/** Ends a conversation for what was found wrong, in a clause that follows the name of the link. */
export function breakOff(session: WireSession, code: Breach, what: string): StallmarkError {
  return session.fail({ code, what: `${session.name} ${what}.`, fix: FIXES[code] });
}

/**
 * Calls an adapter, sees who it is and what it can do, and has its power off.
 *
 * @throws link/unreachable, link/version, link/ability, link/identity and others; it is hung up on then.
 */
export async function callAdapter(call: Call): Promise<Called> {
  const port = await openPort(call.place, call.clock, call.log);
  const session = new WireSession(`The link "${call.name}"`, port, call.clock, call.listener);
  try {
    const hello = await session.hello();
    const abilities = abilitiesOf(session.name, hello, call.roles);
    recognize(session, hello, call.known);
    if (hello.roles.includes('drive')) await takePower(session, 'off');
    if (hello.roles.includes('interlock')) await session.askLines();
    const channels = channelsOf(hello.digitizer ?? { channels: [] });
    return { session, hello, abilities, channels };
  } catch (error) {
    await session.close();
    throw error;
  }
}

function recognize(session: WireSession, now: Hello, known: Hello | undefined): void {
  const who = ({ maker, name, serial = 'unknown' }: Hello): string =>
    `${maker} ${name}, serial ${serial}`;
  if (known === undefined || who(now) === who(known)) return;
  throw breakOff(session, 'link/identity', `was ${who(known)}; now ${who(now)} answers`);
}

/** Has torque and power taken away. Whatever else was asked is given up. */
export async function takePower(session: WireSession, how: 'ramp' | 'off'): Promise<void> {
  const deadline = how === 'ramp' ? RAMP_DEADLINE : REPLY_DEADLINE;
  const order = { do: 'makeSafe', members: { how }, deadline, isStop: true };
  await session.request(order, () => undefined);
}
