import { type AdapterProcess, EXIT_DEADLINE, type Message } from './conformance-adapter.js';
import {
  type CheckGround,
  type CheckResult,
  type ConformanceCheck,
  notOk,
  ok,
  sum,
} from './conformance-check.js';
import { FRAME_KINDS, LARGEST_PAYLOAD } from './conformance-frame.js';
import { called, holding, isOn } from './conformance-power.js';

const STATUS = Buffer.from('{"id":1000000,"do":"status"}');

/** What can be wrong with a frame, and how it is made. */
const BREACHES: readonly {
  readonly name: string;
  readonly right: string;
  readonly make: (adapter: AdapterProcess) => Uint8Array;
}[] = [
  {
    name: 'damaged-frame',
    right: 'a frame with a wrong check sum takes power off, then ends the adapter within 500 ms',
    make: (adapter) => {
      const frame = adapter.frame(FRAME_KINDS.control, STATUS);
      frame.write('S', frame.length - 3); // of "status": what is damaged can still be read
      return frame;
    },
  },
  {
    name: 'wrong-first-byte',
    right:
      'a frame that does not begin with 0xB5 takes power off, then ends the adapter within 500 ms',
    make: (adapter) => {
      const frame = adapter.frame(FRAME_KINDS.control, STATUS);
      frame.writeUInt8(0x7b, 0);
      return frame;
    },
  },
  {
    name: 'unknown-kind',
    right:
      'a frame of a kind that is not known takes power off, then ends the adapter within 500 ms',
    make: (adapter) => adapter.frame(9, STATUS),
  },
  {
    name: 'skipped-sequence',
    right: 'a frame that is not the next one takes power off, then ends the adapter within 500 ms',
    make: (adapter) => {
      adapter.skip();
      return adapter.frame(FRAME_KINDS.control, STATUS);
    },
  },
  {
    name: 'oversized-length',
    right:
      'a frame that announces more than 4 MiB takes power off, then ends the adapter within 500 ms',
    make: (adapter) => adapter.frame(FRAME_KINDS.control, STATUS, LARGEST_PAYLOAD + 1),
  },
];

/** Checks of what an adapter does when its peer is gone, broken or hostile. */
export const BREACH_CHECKS: readonly ConformanceCheck[] = [
  {
    name: 'end-of-file',
    right: 'the end of its input takes power off, then ends the adapter within 500 ms',
    fix: 'Read standard input all the time, also while torque plays; at its end power off, then exit.',
    energizes: true,
    roles: [],
    look: (ground) =>
      broken(ground, (adapter) => {
        adapter.endInput();
      }),
  },
  {
    name: 'runner-gone',
    right:
      'the end of all its pipes at once, as after a kill of the runner, ends the adapter within 500 ms',
    fix: 'Set the end going before anything is written; standard error may be gone as well.',
    energizes: true,
    roles: [],
    look: (ground) =>
      broken(
        ground,
        (adapter) => {
          adapter.abandon();
        },
        false,
      ),
  },
  ...BREACHES.map(({ name, right, make }) => ({
    name,
    right,
    fix: 'Look at first byte, kind, length, check sum and sequence of each frame; wrong: power off, tell "off", exit.',
    energizes: true,
    roles: [],
    look: (ground: CheckGround) =>
      broken(ground, (adapter) => {
        adapter.raw(make(adapter));
      }),
  })),
  {
    name: 'unknown-request',
    right: 'a request that is not known is refused with ok: false, and the adapter stays alive',
    fix: 'Reply {"re": id, "ok": false, "code": …, "what": …} to whatever is not known.',
    energizes: false,
    roles: [],
    look: lookAtUnknownRequest,
  },
  {
    name: 'random-requests',
    right: 'after 1,000 random requests the adapter is alive, has answered each, and power is off',
    fix: 'Take nothing of a request for granted: neither that a member is there, nor its kind.',
    energizes: false,
    roles: [],
    look: lookAtRandomRequests,
  },
];

async function lookAtUnknownRequest(ground: CheckGround): Promise<CheckResult> {
  const { adapter } = await called(ground);
  const reply = await adapter.ask('levitate', { height_m: 2 });
  if (reply['ok'] !== false) return notOk(`"levitate" was answered with ${JSON.stringify(reply)}.`);
  const faults = await deaf(adapter);
  return sum(faults, 'It was refused; the next request was answered.');
}

async function lookAtRandomRequests(ground: CheckGround): Promise<CheckResult> {
  const { adapter, hello } = await called(ground);
  for (const { does, members } of randomRequests(COUNT)) {
    const reply = await adapter.ask(does, members);
    if (typeof reply['ok'] !== 'boolean') {
      return notOk(
        `${JSON.stringify({ do: does, ...members }).slice(0, 200)} was answered without ok.`,
      );
    }
  }
  if (hello.roles.includes('drive') && (await isOn(adapter))) return notOk('Power is on.');
  return sum(await deaf(adapter), `All ${COUNT} were answered; power is off.`);
}

/** Does something to an adapter, with torque where it drives; it must then end by itself. */
async function broken(
  ground: CheckGround,
  act: (adapter: AdapterProcess) => void,
  isHeard = true,
): Promise<CheckResult> {
  const drives = ground.hello.roles.includes('drive');
  const play = drives ? await holding(ground, 150) : undefined;
  const { adapter } = play ?? (await called(ground));
  play?.stop();
  const from = adapter.now();
  act(adapter);
  const exit = await adapter.ends();
  const took = exit === undefined ? undefined : Math.round(exit.at - from);
  if (took === undefined || took > EXIT_DEADLINE) {
    return notOk(`The adapter still ran after ${EXIT_DEADLINE} ms.`);
  }
  if (drives && isHeard && adapter.event('off') === undefined) {
    return notOk(`It ended after ${took} ms without telling that power is off.`);
  }
  return ok(
    `${drives && isHeard ? 'It told that power is off and' : 'It'} ended after ${took} ms.`,
  );
}

/** Whether the adapter is alive: a request that every one knows. */
async function deaf(adapter: AdapterProcess): Promise<readonly string[]> {
  const reply = await adapter.ask('hello', { protocol: [1], runner: 'stallmark' });
  return typeof reply['ok'] === 'boolean' ? [] : ['The request after that was not answered.'];
}

const COUNT = 1000;
/** Requests that neither energize nor move anything; those that do are never drawn. */
const HARMLESS = [
  'hello',
  'identify',
  'environment',
  'interlocks',
  'finish',
  'end',
  'status',
  'limit',
  'arm',
];
const NAMES = [
  'ceiling_Nm',
  'deadMan_s',
  'samples',
  'rate_Hz',
  'on',
  'protocol',
  'how',
  'toString',
  '__proto__',
  '',
];

/** Random requests, the same each time. Limits are never whole, so that none is set. */
function* randomRequests(
  count: number,
): Generator<{ readonly does: string; readonly members: Message }> {
  const draw = generator(20_11);
  const pick = <T>(list: readonly T[], otherwise: T): T => list[draw(list.length)] ?? otherwise;
  const value = (depth: number): unknown => {
    const kind = draw(depth > 3 ? 7 : 9);
    if (kind < 6) return pick([null, true, -1, 1.5e308, 0, '\u0000𝄞"\\'], null);
    if (kind === 6) return 'x'.repeat(draw(2000));
    const inner = Array.from({ length: draw(4) }, () => value(depth + 1));
    return kind === 7 ? inner : Object.fromEntries(inner.map((one) => [pick(NAMES, ''), one]));
  };
  for (let i = 0; i < count; i++) {
    const does = draw(2) === 0 ? pick(HARMLESS, 'status') : `x${String(draw(1e6))}`;
    const members = Object.fromEntries(
      Array.from({ length: draw(6) }, () => [pick(NAMES, ''), value(0)]),
    );
    yield { does, members: does === 'limit' ? { ...members, deadMan_s: 'none' } : members };
  }
}

/**
 * A generator of whole numbers below a bound.
 *
 * Source: Marsaglia, "Xorshift RNGs", 2003, triple 13, 17, 5 (from memory).
 */
function generator(seed: number): (below: number) => number {
  let state = seed;
  return (below) => {
    state ^= state << 13;
    state ^= state >>> 17;
    state ^= state << 5;
    return (state >>> 0) % below;
  };
}
