import type { Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { Interlocks } from '../bench/bench.js';
import { OLDEST_INTERLOCK, problem } from '../bench/refusal.js';
import {
  converse,
  modbusPlace,
  MOST_INPUTS,
  type ModbusConversation,
} from '../link/modbus-conversation.js';
import { OPEN_DEADLINE } from '../link/port.js';
import type { ModbusDescription } from '../procedure/links.js';
import type { InterlockLink } from './rig.js';

/** ms from the beginning of one reading of the lines to that of the next. */
const POLL_PERIOD = 20;
/** ms between two calls of a controller, however often the connection ends. */
const CALL_PERIOD = 250;

/** Safety lines of a controller that is polled. */
export interface ModbusInterlocks extends InterlockLink {
  /** Why the lines read as open, contradictory or old: a sentence; undefined while they are good. */
  readonly reason: string | undefined;
}

/**
 * Reads safety lines of a controller by Modbus TCP: every 20 ms its discrete inputs (function 2), then
 * its heartbeat (function 4), one request at a time, each answered within 150 ms or given up.
 *
 * The age counts from the request for the lines before the newest change of the heartbeat, so that a
 * controller whose program stands gets old although it answers. Whatever else goes wrong reads as open
 * with an age of Infinity at once, until the heartbeat was seen to change again. Only reads: nothing is
 * ever written to a controller.
 *
 * @returns `open` waits until the heartbeat has changed once, and throws link/unreachable, link/closed,
 * link/silent, link/garbled or link/refused otherwise; `read` tells what is known and waits for nothing.
 *
 * Source: Modbus Application Protocol V1.1b3, 6.2, 6.4, 7; Messaging on TCP/IP V1.0b, 3.1 (from memory).
 * Check: tests/checks/modbus.check.ts.
 */
export function modbusInterlocks(
  name: string,
  description: ModbusDescription,
  clock: Clock,
): ModbusInterlocks {
  return new Polled(name, description, clock);
}

type LineName = keyof ModbusDescription['lines'];

class Polled implements ModbusInterlocks {
  private conversation: ModbusConversation | undefined;
  /** Counts openings and closings: a loop of an earlier count ends. */
  private turn = 0;
  private readonly inputs = new Map<number, boolean>();
  private heartbeat: number | undefined;
  /** ms of the clock: when the lines were asked for that the newest change of the heartbeat followed. */
  private alive: number | undefined;
  /** ms of the clock at the last call. */
  private called = -Infinity;
  private fault: string | undefined = 'The controller was not called yet.';
  /** Told how readings go, heard once; replaced by whoever opens. */
  private settled: (error?: Error) => void = () => undefined;

  constructor(
    readonly name: string,
    private readonly description: ModbusDescription,
    private readonly clock: Clock,
  ) {}

  async open(): Promise<{ readonly simulated?: boolean }> {
    this.turn += 1;
    this.called = -Infinity;
    this.forget('The controller did not answer yet.');
    const first = new Promise<void>((resolve, reject) => {
      this.settled = (error) => {
        if (error === undefined) resolve();
        else reject(error);
      };
      void this.clock.wait(OPEN_DEADLINE).then(() => {
        const what = `The heartbeat in input register ${this.description.heartbeat} of ${this.place} did not change within ${OPEN_DEADLINE} ms.`;
        reject(problem('link/silent', what, 'See why the safety program does not run.'));
      });
    });
    void this.run(this.turn);
    try {
      await first;
    } catch (error) {
      await this.close();
      throw error;
    }
    return {};
  }

  read(): Promise<Interlocks> {
    const { presence, coupling } = this.description.lines;
    const lines = {
      guard: this.line('guard', 'closed', 'open'),
      emergencyStop: this.line('emergencyStop', 'released', 'pressed'),
      presence: presence === undefined ? 'held' : this.line('presence', 'held', 'released'),
    } as const;
    const seat =
      coupling === undefined ? {} : { coupling: this.line('coupling', 'seated', 'loose') };
    return Promise.resolve({ ...lines, ...seat, age: this.age });
  }

  close(): Promise<void> {
    this.turn += 1;
    this.letGo();
    this.forget(`The link "${this.name}" is closed.`);
    return Promise.resolve();
  }

  get reason(): string | undefined {
    if (this.fault !== undefined) return this.fault;
    const odd = this.contradictory;
    if (odd !== undefined) {
      const [first, second] = this.description.lines[odd] ?? [];
      const state = this.inputs.get(first ?? 0) === true ? 'on' : 'off';
      return `Discrete inputs ${first} and ${second} of ${this.place} are both ${state}; of the pair for ${odd} exactly one is on.`;
    }
    if (this.age <= OLDEST_INTERLOCK) return undefined;
    const since = this.alive === undefined ? '' : ` for ${this.age.toFixed(3)} s`;
    return `The heartbeat of ${this.place} has stood at ${this.heartbeat}${since}; it must change every 0.1 s.`;
  }

  private get place(): string {
    return modbusPlace(this.description);
  }

  /** s */
  private get age(): number {
    const isDoubtful = this.fault !== undefined || this.contradictory !== undefined;
    if (isDoubtful || this.alive === undefined) return Infinity;
    return (this.clock.monotonic() - this.alive) / 1000;
  }

  private line<T extends string>(name: LineName, safe: T, unsafe: T): T | 'contradictory' {
    const [first, second] = this.description.lines[name] ?? [];
    if (this.fault !== undefined || first === undefined || second === undefined) return unsafe;
    const isSafe = this.inputs.get(first);
    if (isSafe === this.inputs.get(second)) return 'contradictory';
    return isSafe === true ? safe : unsafe;
  }

  private get contradictory(): LineName | undefined {
    const names: readonly LineName[] = ['guard', 'emergencyStop', 'presence', 'coupling'];
    return names.find((name) => {
      const pair = this.description.lines[name];
      return pair !== undefined && this.inputs.get(pair[0]) === this.inputs.get(pair[1]);
    });
  }

  /** Polls until somebody opens or closes again; each turn waits at least 1 ms of the clock. */
  private async run(turn: number): Promise<void> {
    while (this.turn === turn) {
      const began = this.clock.monotonic();
      try {
        const conversation = this.conversation ?? (await this.call(turn));
        this.conversation = conversation;
        await this.poll(conversation, turn);
      } catch (error) {
        if (this.turn === turn) this.fail(error);
      }
      const next = Math.max(began + POLL_PERIOD, this.conversation ? 0 : this.called + CALL_PERIOD);
      await this.clock.wait(Math.max(1, next - this.clock.monotonic()));
    }
  }

  private async call(turn: number): Promise<ModbusConversation> {
    this.called = this.clock.monotonic();
    const begun = await converse(this.description, this.clock);
    if (this.turn !== turn) {
      begun.hangUp();
      throw problem('link/closed', `The link "${this.name}" is closed.`, 'Open it again.');
    }
    begun.onEnd = (why) => {
      if (this.conversation === begun) this.fail(why);
    };
    return begun;
  }

  private async poll(conversation: ModbusConversation, turn: number): Promise<void> {
    const asked = this.clock.monotonic();
    const found = new Map<number, boolean>();
    for (const [from, count] of runsOf(this.description)) {
      const bits = await conversation.discreteInputs(from, count);
      for (const [offset, isOn] of bits.entries()) found.set(from + offset, isOn);
    }
    if (this.turn !== turn) return;
    for (const [address, isOn] of found) this.inputs.set(address, isOn);
    // The heartbeat is asked for last: its change proves that the lines came from a program that runs.
    const beat = await conversation.inputRegister(this.description.heartbeat);
    if (this.turn !== turn) return;
    if (this.heartbeat !== undefined && beat !== this.heartbeat) {
      this.alive = asked;
      this.settled();
    }
    this.heartbeat = beat;
    this.fault = undefined;
  }

  private fail(error: unknown): void {
    this.forget(error instanceof StallmarkError ? error.problems[0].what : String(error));
    // After an exception the connection is sound; after anything else nobody knows whose reply comes next.
    const isSound = error instanceof StallmarkError && error.problems[0].code === 'link/refused';
    if (!isSound) this.letGo();
    this.settled(error instanceof Error ? error : new Error(String(error)));
  }

  /** Hangs up; what the connection says of its end is not heard any more. */
  private letGo(): void {
    const { conversation } = this;
    this.conversation = undefined;
    conversation?.hangUp();
  }

  private forget(fault: string): void {
    this.fault = fault;
    this.inputs.clear();
    this.heartbeat = undefined;
    this.alive = undefined;
  }
}

/** Inputs of all lines as [first, count] of neighbours: an address between them may not exist. */
function runsOf({ lines }: ModbusDescription): readonly (readonly [number, number])[] {
  const all = [lines.guard, lines.emergencyStop, lines.presence ?? [], lines.coupling ?? []].flat();
  const runs: [number, number][] = [];
  for (const address of [...new Set(all)].sort((a, b) => a - b)) {
    const last = runs.at(-1);
    if (last !== undefined && last[0] + last[1] === address && last[1] < MOST_INPUTS) last[1] += 1;
    else runs.push([address, 1]);
  }
  return runs;
}
