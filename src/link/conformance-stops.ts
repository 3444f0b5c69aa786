import type { AdapterProcess } from './conformance-adapter.js';
import {
  type CheckGround,
  type CheckResult,
  type ConformanceCheck,
  notApplicable,
  notOk,
  sum,
} from './conformance-check.js';
import { range } from './conformance-limits.js';
import { type Playing, holding, isOn, pause, torqueUntil } from './conformance-power.js';

/** s that torque may stay longer than it should: two readings of this computer's clock, and its fall. */
const MARGIN = 0.05;
/** ms for which torque is held before something ends it. */
const HOLD = 250;
/** ms between two feeds, or two requests in their place. */
const EVERY = 10;
/** ms in which makeSafe {how: "ramp"} must be done. */
const RAMP = 200;

/** Checks of every way in which torque must go away, with the adapter alive. */
export const STOP_CHECKS: readonly ConformanceCheck[] = [
  {
    name: 'dead-man',
    right:
      'without a feed power is off within the dead-man that was read back, and a fault is told',
    fix: 'Put the dead-man back for a feed of the runner and for nothing else: no timer of the adapter may feed it.',
    energizes: true,
    roles: ['drive'],
    look: (ground) =>
      unfed(ground, (play) => pause(play.adapter, 1000 * play.limits.deadMan + 150)),
  },
  {
    name: 'dead-man-other-requests',
    right: 'other requests are no feed: power goes off while they go on',
    fix: 'Count only "feed" as a sign of life; the loop that checks torque may hang while others ask.',
    energizes: true,
    roles: ['drive'],
    look: (ground) =>
      unfed(ground, async (play) => {
        const until = play.adapter.now() + 1000 * play.limits.deadMan + 150;
        while (play.adapter.now() < until) {
          await play.adapter.grant('status');
          await pause(play.adapter, EVERY);
        }
      }),
  },
  {
    name: 'dead-man-unread',
    right: 'the dead-man does its work also while nobody reads what the adapter writes',
    fix: 'Run the dead-man in a thread of its own that never writes, and holds no lock that a writer holds.',
    energizes: true,
    roles: ['drive'],
    look: (ground) =>
      unfed(
        ground,
        async ({ adapter, limits }) => {
          await pause(adapter, 1000 * limits.deadMan + 300);
          adapter.setReading(true);
        },
        async ({ adapter }) => {
          adapter.setReading(false);
          await pause(adapter, UNREAD);
        },
      ),
  },
  {
    name: 'late-feed',
    right: 'feeds after the dead-man revive nothing',
    fix: 'Keep power off until limits are set and power is asked for anew.',
    energizes: true,
    roles: ['drive'],
    look: (ground) =>
      unfed(ground, async (play) => {
        const { adapter } = play;
        await pause(adapter, 1000 * play.limits.deadMan + 60);
        for (let k = 0; k < 20; k++) {
          adapter.control({ do: 'feed', seq: play.fed() + k });
          await pause(adapter, EVERY);
        }
      }),
  },
  {
    name: 'feed-out-of-order',
    right: 'a feed whose count does not rise by 1 takes power off at once',
    fix: 'Hold the count of each feed against that of the one before.',
    energizes: true,
    roles: ['drive'],
    look: lookAtFeedOutOfOrder,
  },
  {
    name: 'make-safe-off',
    right: 'makeSafe {how: "off"} is answered when power is off, at once',
    fix: 'Cut power first, then reply.',
    energizes: true,
    roles: ['drive'],
    look: (ground) => madeSafe(ground, 'off', 0),
  },
  {
    name: 'make-safe-ramp',
    right:
      'makeSafe {how: "ramp"} brings torque to zero and power off within 200 ms, then is answered',
    fix: 'Ramp within 150 ms, cut power, then reply; cut it also when the ramp hangs.',
    energizes: true,
    roles: ['drive'],
    look: (ground) => madeSafe(ground, 'ramp', RAMP / 1000),
  },
];

async function lookAtFeedOutOfOrder(ground: CheckGround): Promise<CheckResult> {
  const play = await holding(ground, HOLD);
  play.stop();
  const from = play.adapter.now();
  play.adapter.control({ do: 'feed', seq: play.fed() + 3 });
  // Goes on in order, so that a dead-man cannot be what takes the torque away.
  for (let k = 0; k < 10; k++) {
    await pause(play.adapter, EVERY);
    play.adapter.control({ do: 'feed', seq: play.fed() + 4 + k });
  }
  return gone(play, from, 0);
}

/** ms for which nothing is read: until the pipe of a fast digitizer is full. */
const UNREAD = 1500;

/** Holds torque, feeds no more, lets `meanwhile` go on, and looks what became of the torque. */
async function unfed(
  ground: CheckGround,
  meanwhile: (play: Playing) => Promise<void>,
  before: (play: Playing) => Promise<void> = () => Promise.resolve(),
): Promise<CheckResult> {
  if (range(ground.hello.drive['deadMan_s']).length === 0) {
    return notApplicable('It says that it has no dead-man.');
  }
  const play = await holding(ground, HOLD);
  await before(play);
  play.stop();
  const from = play.lastFeed();
  await meanwhile(play);
  return gone(play, from, play.limits.deadMan);
}

/** Asks to be made safe while feeds go on. */
async function madeSafe(
  ground: CheckGround,
  how: 'off' | 'ramp',
  within: number,
): Promise<CheckResult> {
  const play = await holding(ground, HOLD);
  const { adapter } = play;
  const from = adapter.now();
  await adapter.grant('makeSafe', { how });
  const took = (adapter.now() - from) / 1000;
  const isOff = !(await isOn(adapter));
  play.stop();
  if (!isOff) return notOk('It was answered, and power is still on.');
  if (took > within + 2 * MARGIN) return notOk(`It was answered after ${ms(took)}.`);
  await pause(adapter, 100);
  return gone(play, from, within);
}

/**
 * What became of the torque, by report and by samples.
 *
 * @param from - ms of this computer from which it had `within` s to go.
 */
async function gone(play: Playing, from: number, within: number): Promise<CheckResult> {
  const { adapter, zeroAt } = play;
  if (adapter.exit !== undefined) return notOk('The adapter ended; it should have stayed alive.');
  const report = await adapter.grant('status');
  const last = await torqueUntil(play);
  const due = (from - zeroAt) / 1000;
  const faults: string[] = [];
  if (report['torqueEnabled'] !== false) faults.push('Its report says that power is on.');
  if (within > 0 && within !== RAMP / 1000 && report['fault'] === 0)
    faults.push('It tells no fault.');
  if (last !== undefined && last > due + within + MARGIN) {
    faults.push(`Torque was there ${ms(last - due)} later; ${ms(within)} are allowed.`);
  }
  const seen =
    last === undefined ? 'by its report' : `by samples ${ms(Math.max(0, last - due))} later`;
  return sum(faults, `Torque was gone, ${seen}; ${ms(within)} are allowed.${told(adapter)}`);
}

const ms = (seconds: number): string => `${Math.round(1000 * seconds)} ms`;

function told(adapter: AdapterProcess): string {
  const reason = adapter.event('off')?.message['reason'];
  return typeof reason === 'string' ? ` It says: ${reason.slice(0, 80)}.` : '';
}
