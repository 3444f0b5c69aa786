import type { Clock } from '../base/clock.js';
import { StallmarkError, unreachable } from '../base/error.js';
import type { Port, PortListener } from '../link/port.js';
import {
  type Command,
  type CommandList,
  commandTable,
  doing,
  ParameterReader,
  plainly,
  type Work,
} from './scpi-command.js';
import { fault, type ScpiFault } from './scpi-fault.js';
import { type MessagePart, MessageReader, MOST_BLOCK } from './scpi-message.js';
import { faultOf, isFault, type Outcome, replyBytes } from './scpi-outcome.js';
import { ScpiStatus } from './scpi-status.js';
import type { ProgramUnit } from './scpi-unit.js';

/** What makes an instrument the one it is. */
export interface ScpiDevice {
  /** Reply to `*IDN?`: four fields. */
  readonly identity: string;
  readonly commands: CommandList;
  /** Back to how it is after power on. */
  reset(): void;
  /** Nobody is there any more; torque is taken away, takes are ended. */
  gone(reason: string): void;
  /** Whether it hangs: takes nothing in and answers nothing. */
  readonly isHung: boolean;
}

/** Parts of messages that may wait while one is at work. */
export const MOST_WAITING = 64;
/** ms without a byte after which a message that has no end is given up. */
export const UNTERMINATED = 2000;
/** ms without a byte that stand for END, which a stream has not. */
export const PAUSE = 50;
/** ms after which an operation that does not end is no longer waited for. */
export const OPERATION_DEADLINE = 10_000;
/** ms: longest wait at a time, so that none outlives what it is for. */
const WAIT = 100;

/**
 * What all instruments of IEEE 488.2 have in common: messages in, replies out in their order, errors in a
 * queue, status registers and the common commands.
 *
 * Commands are taken in order, each when the one before is done, but for those that overtake. After an
 * error the commands that are left of the same message are thrown away, lest power follow on a limit
 * that was refused; questions are answered, and what overtakes still acts.
 *
 * A stream does not show whether a reply was read. So −410 is told when replies back up: the peer does
 * not take what it asked for and `MOST_WAITING` parts wait behind it; all of them are void then. −420 is
 * told when a message stands without its end for `UNTERMINATED`.
 *
 * Source: IEEE 488.2-1992, clauses 6, 10 and 11, and SCPI-1999 volume 1, chapter 4, from memory.
 */
export class ScpiInstrument implements PortListener {
  private readonly commands: ReadonlyMap<string, Command>;
  private readonly status = new ScpiStatus();
  private readonly reader = new MessageReader((part) => {
    this.receive(part);
  });
  private waiting: MessagePart[] = [];
  private isBusy = false;
  private isSending = false;
  private isClosed = false;
  /** Whether what is left of the message that arrives is thrown away. */
  private isSkipping = false;
  /** Whether a part of the message that arrives was taken, and its end was not. */
  private needsEnd = false;
  /** Of the message at work: whether an error came, whether a reply was begun. */
  private isSpoiled = false;
  private hasReplied = false;
  /** Operations that go on, and whether `*OPC` waits for them. */
  private readonly goingOn = new Set<Promise<void>>();
  private tellsCompletion = false;
  private lastByteAt = 0;
  private isWatching = false;

  constructor(
    private readonly port: Port,
    private readonly device: ScpiDevice,
    private readonly clock: Clock,
  ) {
    this.commands = commandTable([...this.everyInstrument(), ...device.commands]);
  }

  bytes(chunk: Uint8Array): void {
    if (this.isClosed) return;
    this.lastByteAt = this.clock.monotonic();
    this.reader.push(chunk);
    if (this.reader.isOpen && !this.isWatching) void this.watchForEnd();
  }

  closed(reason: string): void {
    if (this.isClosed) return;
    this.isClosed = true;
    this.waiting = [];
    this.device.gone(`${this.port.name}: ${reason}`);
  }

  private receive(part: MessagePart): void {
    if (this.isClosed) return;
    if (!this.device.isHung && !this.isTakenElsewhere(part)) this.enqueue(part);
    else this.leaveOut(part);
    if (part.isLast) this.isSkipping = false;
    if (!this.isBusy) void this.work();
  }

  /** Whether a part is thrown away, or has acted for good. */
  private isTakenElsewhere(part: MessagePart): boolean {
    const overtaking = this.isBusy || this.isSkipping ? this.overtake(part) : undefined;
    return this.isSkipping || overtaking === 'once';
  }

  /** A message of which a part was taken needs its end, as that ends the reply too. */
  private leaveOut(part: MessagePart): void {
    if (this.device.isHung) this.isSkipping = true;
    if (part.isLast && this.needsEnd) this.enqueue({ kind: 'empty', isLast: true });
  }

  private enqueue(part: MessagePart): void {
    this.waiting.push(part);
    this.needsEnd = !part.isLast;
    const bytes = this.waiting.reduce((sum, one) => sum + blockBytes(one), 0);
    if (this.waiting.length <= MOST_WAITING && bytes <= MOST_BLOCK) return;
    this.waiting = [{ kind: 'empty', isLast: true }];
    this.needsEnd = false;
    this.isSkipping = true;
    this.isSpoiled = true;
    const what = `more than ${MOST_WAITING} commands or ${MOST_BLOCK} bytes wait`;
    this.status.tell(fault(this.isSending ? '-410' : '-363', what));
  }

  /** Lets what takes torque away act at once, and says how it overtook. */
  private overtake(part: MessagePart): Work['overtakes'] {
    if (part.kind !== 'unit') return undefined;
    const work = this.workOf(part.unit);
    if ('number' in work || work.overtakes === undefined) return undefined;
    // What overtakes is done when it returns, so there is no reply to wait for.
    const outcome = this.guarded(() => work.run());
    if (isFault(outcome)) this.status.tell(outcome);
    return work.overtakes;
  }

  /** Runs what waits until nothing does; each turn takes one part out. */
  private async work(): Promise<void> {
    this.isBusy = true;
    for (;;) {
      const part = this.waiting.shift();
      if (part === undefined) break;
      const done = this.perform(part);
      if (done !== undefined) await done;
    }
    this.isBusy = false;
  }

  private perform(part: MessagePart): Promise<void> | undefined {
    const outcome = this.outcomeOf(part);
    if (outcome instanceof Promise) {
      return this.ended(outcome).then((late) => this.conclude(late, part.isLast));
    }
    return this.conclude(outcome, part.isLast);
  }

  private outcomeOf(part: MessagePart): Outcome | Promise<Outcome> {
    if (this.device.isHung) return undefined;
    switch (part.kind) {
      case 'empty':
        return undefined;
      case 'fault':
        return part.fault;
      case 'unit': {
        const work = this.workOf(part.unit);
        if ('number' in work) return work;
        const isLeftOut = this.isSpoiled && !part.unit.isQuestion && work.overtakes === undefined;
        return isLeftOut ? undefined : this.guarded(() => work.run());
      }
      default:
        return unreachable(part);
    }
  }

  private workOf(unit: ProgramUnit): Work | ScpiFault {
    const command = this.commands.get(unit.header);
    if (command === undefined) return fault('-113', unit.header);
    const parameters = new ParameterReader(unit.parameters);
    const work = command(parameters);
    return parameters.finish() ?? work;
  }

  /** Turns what the stand refuses into errors of the instrument. */
  private guarded(run: () => Outcome | Promise<Outcome>): Outcome | Promise<Outcome> {
    try {
      const outcome = run();
      return outcome instanceof Promise ? outcome.catch(faultOf) : outcome;
    } catch (error) {
      return faultOf(error);
    }
  }

  /** Waits for a command, but no longer than `OPERATION_DEADLINE`. */
  private async ended(outcome: Promise<Outcome>): Promise<Outcome> {
    const until = this.clock.monotonic() + OPERATION_DEADLINE;
    const none = Symbol('not yet');
    while (this.clock.monotonic() < until && !this.isClosed) {
      const first = await Promise.race([outcome, this.clock.wait(WAIT).then(() => none)]);
      if (typeof first !== 'symbol') return first;
    }
    return fault('-200', `not done within ${OPERATION_DEADLINE} ms`);
  }

  private conclude(outcome: Outcome, isLast: boolean): Promise<void> | undefined {
    const reply = this.replyOf(outcome);
    const bytes = replyBytes(reply, this.hasReplied, isLast);
    this.hasReplied = !isLast && (this.hasReplied || reply !== undefined);
    if (isLast) this.isSpoiled = false;
    return bytes === undefined || this.isClosed || this.device.isHung
      ? undefined
      : this.send(bytes);
  }

  private replyOf(outcome: Outcome): string | Uint8Array | undefined {
    if (typeof outcome !== 'object' || outcome instanceof Uint8Array) return outcome;
    if (isFault(outcome)) {
      this.isSpoiled = true;
      this.status.tell(outcome);
    } else this.begin(outcome.goesOn);
    return undefined;
  }

  private async send(bytes: Uint8Array): Promise<void> {
    this.isSending = true;
    try {
      await this.port.write(bytes);
    } catch (error) {
      // A peer that takes no replies is as good as gone.
      this.closed(error instanceof StallmarkError ? error.problems[0].what : String(error));
      await this.port.close();
    } finally {
      this.isSending = false;
    }
  }

  private begin(goesOn: Promise<unknown>): void {
    const operation = goesOn
      .then(
        () => undefined,
        (error: unknown) => {
          this.status.tell(faultOf(error));
        },
      )
      .then(() => {
        this.goingOn.delete(operation);
        if (this.goingOn.size > 0 || !this.tellsCompletion) return;
        this.tellsCompletion = false;
        this.status.completed();
      });
    this.goingOn.add(operation);
  }

  /** Ends what a pause ends: a block of indefinite length, or a message that nobody goes on with. */
  private async watchForEnd(): Promise<void> {
    this.isWatching = true;
    while (this.reader.isOpen && !this.isClosed) {
      const quiet = this.clock.monotonic() - this.lastByteAt;
      if (this.reader.endsWithPause && quiet >= PAUSE) this.reader.end();
      else if (quiet >= UNTERMINATED) this.giveUp();
      else await this.clock.wait(PAUSE);
    }
    this.isWatching = false;
  }

  private giveUp(): void {
    this.reader.discard();
    if (this.device.isHung) return;
    this.status.tell(fault('-420', `no end within ${UNTERMINATED} ms`));
    this.receive({ kind: 'empty', isLast: true });
  }

  private everyInstrument(): CommandList {
    const { status, device } = this;
    const plain = (run: () => void): Command => {
      return () => doing(run);
    };
    const mask = (set: (value: number) => void): Command => {
      return (p) => {
        const value = p.whole(0, 255);
        return doing(() => {
          set(value);
        });
      };
    };
    return [
      ['*IDN?', plainly(() => device.identity)],
      [
        '*RST',
        plain(() => {
          this.reset();
        }),
      ],
      [
        '*CLS',
        plain(() => {
          this.clear();
        }),
      ],
      ['*ESE', mask((value) => (status.wantedEvents = value))],
      ['*ESE?', plainly(() => String(status.wantedEvents))],
      ['*ESR?', plainly(() => String(status.takeEvents()))],
      ['*SRE', mask((value) => (status.wantedService = value & ~64))],
      ['*SRE?', plainly(() => String(status.wantedService))],
      ['*STB?', plainly(() => String(status.byte))],
      [
        '*OPC',
        plain(() => {
          this.tellCompletion();
        }),
      ],
      ['*OPC?', plainly(() => this.settled('1'))],
      ['*WAI', plainly(() => this.settled(undefined))],
      ['*TST?', plainly(() => '0')],
      ['SYSTem:ERRor[:NEXT]?', plainly(() => status.nextError())],
      ['SYSTem:ERRor:COUNt?', plainly(() => String(status.errorCount))],
      ['SYSTem:VERSion?', plainly(() => '1999.0')],
    ];
  }

  private reset(): void {
    this.tellsCompletion = false;
    this.device.reset();
  }

  private clear(): void {
    this.tellsCompletion = false;
    this.status.clear();
  }

  private tellCompletion(): void {
    if (this.goingOn.size === 0) this.status.completed();
    else this.tellsCompletion = true;
  }

  private settled(reply: Outcome): Outcome | Promise<Outcome> {
    return this.goingOn.size === 0 ? reply : Promise.all(this.goingOn).then(() => reply);
  }
}

function blockBytes(part: MessagePart): number {
  if (part.kind !== 'unit') return 0;
  return part.unit.parameters.reduce(
    (sum, one) => sum + (one.kind === 'block' ? one.bytes.length : 0),
    0,
  );
}
