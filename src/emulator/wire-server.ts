import { type Clock, systemClock } from '../base/clock.js';
import { FAULT_CODES } from '../bench/drive.js';
import type { Port, PortListener } from '../link/port.js';
import { type Frame, FrameDecoder } from '../link/wire-frame.js';
import { ROLES, type LinkRole } from '../procedure/links.js';
import type { Fixture } from '../procedure/procedure.js';
import type { EmulatedStand } from './stand.js';
import { WireActs } from './wire-acts.js';
import { type Members, readMembers, shown } from './wire-request.js';
import { refusalOf, WireSpeaker } from './wire-speaker.js';

/** What a served link is besides its stand. */
export interface WireOptions {
  /** All of them by default. */
  readonly roles?: readonly LinkRole[];
  /** How the stand can be arranged; everything but the shunt the other way round by default. */
  readonly fixtures?: readonly Fixture[];
  readonly clock?: Clock;
  /** ns of the monotonic clock of this computer. */
  readonly nanoseconds?: () => bigint;
}

/** ms between two tellings of the safety lines; a reader counts on 50. */
const LINES_EVERY = 20;
/** Requests that are done also while another one is. */
const URGENT = ['makeSafe', 'end', 'bye'];
/** Questions disturb nothing: a runner that gave up a request asks how things stand. */
const QUESTIONS = ['status', 'interlocks'];

const FAULT_WORDS: Readonly<Record<number, string>> = {
  [FAULT_CODES.deadMan]: 'the dead-man was not fed',
  [FAULT_CODES.overTorque]: 'torque stayed above the ceiling',
  [FAULT_CODES.safeTorqueOff]: 'the safety controller took the torque away',
  [FAULT_CODES.internal]: 'the device reports a fault of its own',
};

/**
 * Answers on a port as an adapter does: the far side of stallmark-link 1, with a stand behind it. The end of
 * the port, a void frame and a feed out of order take the torque away before anything is told; the dead-man
 * is that of the stand and waits for no peer.
 *
 * @param name - What it calls itself.
 */
export function serveWire(
  port: Port,
  stand: EmulatedStand,
  name: string,
  options: WireOptions = {},
): void {
  port.listen(new WireSession(port, stand, name, options));
}

class WireSession implements PortListener {
  private readonly decoder = new FrameDecoder((frame) => {
    this.hear(frame);
  });
  private readonly speaker: WireSpeaker;
  private readonly acts: WireActs;
  private readonly clock: Clock;
  private readonly nanoseconds: () => bigint;
  private readonly drives: boolean;
  private readonly forget: () => void;
  private isOver = false;
  private isGreeted = false;
  /** Requests that are being done. */
  private busy = 0;
  private wasOn = false;
  private fault = 0;
  private lines = '';

  constructor(
    private readonly port: Port,
    private readonly stand: EmulatedStand,
    name: string,
    { roles = ROLES, fixtures, clock = systemClock, nanoseconds }: WireOptions,
  ) {
    this.clock = clock;
    this.nanoseconds = nanoseconds ?? (() => process.hrtime.bigint());
    this.drives = roles.includes('drive');
    this.speaker = new WireSpeaker(port);
    this.acts = new WireActs(stand, name, roles, fixtures);
    this.wasOn = stand.isEnergized;
    this.fault = stand.report().fault;
    this.forget = stand.onChange(() => {
      this.tellChanges();
    });
  }

  bytes(chunk: Uint8Array): void {
    if (this.isOver) return;
    this.decoder.push(chunk);
    const { fault } = this.decoder;
    if (fault !== undefined) this.voidFrame(`The runner ${fault.what}.`);
  }

  closed(reason: string): void {
    const what = `end of file on ${this.port.name}: ${reason}`;
    if (!this.isOver) this.off(what); // and so told, as far as anybody still reads
    this.end(what);
  }

  private hear({ kind, payload }: Frame): void {
    if (this.isOver) return;
    const members = kind === 'control' ? readMembers(payload) : undefined;
    if (kind === 'waveform') {
      if (!this.acts.takePart(payload)) this.voidFrame('A waveform came that no load announced.');
    } else if (members === undefined) {
      this.voidFrame(kind === 'control' ? 'Control came that is no JSON object.' : 'Samples came.');
    } else if (members['do'] === 'feed') {
      this.feed(members);
    } else {
      this.ask(members);
    }
  }

  private feed(members: Members): void {
    const wrong = this.drives ? this.acts.feed(members) : 'This link does not drive.';
    if (wrong === undefined) return;
    this.off(wrong);
    this.say(this.speaker.tell({ event: 'log', what: wrong }));
  }

  private ask(members: Members): void {
    const { id, do: act } = members;
    if (!Number.isSafeInteger(id) || typeof act !== 'string') {
      this.voidFrame(`A request came with id ${shown(id)} and do ${shown(act)}.`);
      return;
    }
    const isNew = !this.isGreeted && act !== 'hello';
    const isAlways = URGENT.includes(act) || QUESTIONS.includes(act);
    const isSecond = this.busy > 0 && !isAlways;
    if (isNew || isSecond) {
      const what = isNew ? 'Say hello first.' : 'Another request is being done; ask one at a time.';
      this.say(this.speaker.tell({ re: id, ok: false, code: 'link/refused', what }));
      return;
    }
    this.say(this.answer(id, act, members));
  }

  private async answer(id: unknown, act: string, members: Members): Promise<void> {
    this.busy += 1;
    try {
      const reply = await this.acts.do(act, members);
      const told = this.speaker.tell({ re: id, ok: true, ...reply });
      if (act === 'arm') this.tellTake(); // no sample comes before the reply
      await told;
      if (act === 'hello') this.greeted();
      if (act === 'bye') this.end('bye');
    } catch (error) {
      const refusal = refusalOf(error);
      if (refusal === undefined || this.isOver) throw error;
      await this.speaker.tell({ re: id, ok: false, ...refusal });
    } finally {
      this.busy -= 1;
    }
  }

  private tellTake(): void {
    const { take, takes } = this.acts;
    if (take !== undefined) this.say(this.speaker.tellTake(this.stand, take, takes));
  }

  private greeted(): void {
    if (this.isGreeted || this.isOver) return;
    this.isGreeted = true;
    if (this.acts.roles.includes('interlock')) this.say(this.tellLines());
  }

  /** Tells the lines again and again, so that silence is noticed. */
  private async tellLines(): Promise<void> {
    while (!this.isOver) {
      // Who takes nothing is told no more than once; the write itself has a deadline.
      if (this.speaker.isHeard) await this.speaker.tell(this.linesEvent());
      await this.clock.wait(LINES_EVERY);
    }
  }

  private linesEvent(): Readonly<Record<string, unknown>> {
    const lines = linesOf(this.stand);
    this.lines = JSON.stringify(lines);
    return { event: 'lines', ...lines };
  }

  private tellChanges(): void {
    if (this.isOver) return;
    const { fault, torqueEnabled } = this.stand.report();
    const events: Readonly<Record<string, unknown>>[] = [];
    const isNew = fault !== this.fault && fault !== FAULT_CODES.none;
    const what = FAULT_WORDS[fault] ?? `fault ${fault}`;
    if (isNew) events.push({ event: 'fault', fault, what });
    if (this.wasOn && !torqueEnabled) {
      const reason = fault === FAULT_CODES.none ? this.acts.reason : what;
      events.push({ event: 'off', reason, at_ns: Number(this.nanoseconds()) });
    }
    this.fault = fault;
    this.wasOn = torqueEnabled;
    if (JSON.stringify(linesOf(this.stand)) !== this.lines) events.push(this.linesEvent());
    if (!this.isGreeted) return;
    for (const event of events) this.say(this.speaker.tell(event));
  }

  private voidFrame(what: string): void {
    if (this.isOver) return;
    this.off(what);
    const told = this.speaker.tell({ event: 'log', what });
    this.say(
      told.finally(() => {
        this.end(what);
      }),
    );
  }

  private off(reason: string): void {
    this.acts.reason = reason;
    if (this.drives) this.stand.off(reason);
  }

  private end(reason: string): void {
    if (this.isOver) return;
    this.isOver = true;
    this.off(reason);
    this.forget();
    this.acts.end();
    void this.port.close();
  }

  /** Watches what is being said: who does not take it is hung up on. */
  private say(said: Promise<void>): void {
    said.catch((error: unknown) => {
      const refusal = refusalOf(error);
      this.end(refusal?.what ?? 'defect');
      if (refusal === undefined) throw error;
    });
  }
}

function linesOf(stand: EmulatedStand): Readonly<Record<string, string>> {
  const { guard, emergencyStop, presence, coupling } = stand.lines();
  return { guard, emergencyStop, presence, ...(coupling === undefined ? {} : { coupling }) };
}
