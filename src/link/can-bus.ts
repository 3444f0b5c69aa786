import type { Clock } from '../base/clock.js';
import type { ErrorCode } from '../base/codes.js';
import { StallmarkError, unreachable } from '../base/error.js';
import type { Port } from './port.js';
import {
  bitRateCommand,
  encodeFrame,
  encodeLine,
  SlcanDecoder,
  type GatewayWord,
} from './slcan.js';

/** ms until a gateway that does not answer a command is given up. */
export const GATEWAY_DEADLINE = 250;
/** Lines handed to the port that it has not taken yet; more means that nobody takes them. */
export const MOST_UNSENT = 64;

/** A CAN bus as those see it who speak over it. */
export interface CanSide {
  readonly name: string;
  /** Sends a standard frame, fire and forget; what goes wrong shows in `failure`. */
  send(id: number, data: Uint8Array): void;
  /** Names who is told the data of frames with this identifier; one each. */
  on(id: number, listener: (data: Uint8Array) => void): void;
  /** The first thing that went wrong; it stays. */
  readonly failure: StallmarkError | undefined;
  /** Calls once when something goes wrong, at once when it has. */
  onFailure(listener: (failure: StallmarkError) => void): void;
  /** Whether nothing can be sent any more. */
  readonly isGone: boolean;
}

/**
 * A CAN bus behind a serial gateway. Anything that is not in the language of the gateway, and any frame
 * that it does not take, is a failure that stays: lines may be missing then. What arrives is still told,
 * so that a drive can be heard to stop.
 */
export class CanBus implements CanSide {
  readonly name: string;
  private readonly listeners = new Map<number, (data: Uint8Array) => void>();
  private readonly failing: ((failure: StallmarkError) => void)[] = [];
  private found: StallmarkError | undefined;
  private gone = false;
  private isOpen = false;
  private unsent = 0;
  /** Ends with the line that was written last, taken or not. */
  private written: Promise<void> = Promise.resolve();
  private waiting: ((isDone: boolean | StallmarkError) => void) | undefined;

  private constructor(
    private readonly port: Port,
    private readonly clock: Clock,
  ) {
    this.name = port.name;
    const decoder = new SlcanDecoder((word) => {
      this.hear(word);
    });
    port.listen({
      bytes: (chunk) => {
        decoder.push(chunk);
      },
      closed: (reason, code = 'link/closed') => {
        this.gone = true;
        const how = code === 'link/closed' ? 'hung up' : 'was given up';
        const what = `The gateway at ${this.name} ${how}: ${reason}.`;
        this.fail(failureOf(code, what, 'Check its cable and its power.'));
      },
    });
  }

  /**
   * Opens the bus: closes the gateway, whatever state it was left in, sets the bit rate, opens it.
   *
   * @param bitRate - bit/s, one of `BIT_RATES`.
   * @throws link/ability, link/silent, link/refused, link/closed, link/stalled; the port is let go then.
   */
  static async open(port: Port, bitRate: number, clock: Clock): Promise<CanBus> {
    const bus = new CanBus(port, clock);
    try {
      await bus.begin(bitRate);
    } catch (error) {
      await port.close();
      throw error;
    }
    return bus;
  }

  get failure(): StallmarkError | undefined {
    return this.found;
  }

  get isGone(): boolean {
    return this.gone;
  }

  on(id: number, listener: (data: Uint8Array) => void): void {
    this.listeners.set(id, listener);
  }

  onFailure(listener: (failure: StallmarkError) => void): void {
    if (this.found === undefined) this.failing.push(listener);
    else listener(this.found);
  }

  send(id: number, data: Uint8Array): void {
    this.write(encodeFrame({ id, data }));
  }

  /** Sends several at once, in one go: they count as one that is not yet taken. */
  sendAll(id: number, all: readonly Uint8Array[]): void {
    if (all.length > 0) this.write(Buffer.concat(all.map((data) => encodeFrame({ id, data }))));
  }

  /** Closes gateway and port. Never throws. */
  async close(): Promise<void> {
    if (!this.gone) {
      this.write(encodeLine('C'));
      this.gone = true;
      await this.written; // a port gives a write up by itself
    }
    await this.port.close();
  }

  private async begin(bitRate: number): Promise<void> {
    const speed = bitRateCommand(bitRate);
    if (speed === undefined) {
      const what = `The gateway at ${this.name} has no setting for ${bitRate} bit/s.`;
      throw failureOf('link/ability', what, 'Correct bit-rate.');
    }
    // The first may end a line that was left half written, or find the gateway closed: both are refused.
    await this.command('C');
    await this.command('C');
    await this.commandDone(speed);
    this.isOpen = true;
    await this.commandDone('O');
  }

  private async commandDone(text: string): Promise<void> {
    if (await this.command(text)) return;
    const what = `The gateway at ${this.name} refused ${text}.`;
    const fix = 'Check that nobody else uses it, and that it knows this bit rate.';
    throw failureOf('link/refused', what, fix);
  }

  /** Sends a command and waits until it was carried out or refused. */
  private async command(text: string): Promise<boolean> {
    if (this.found !== undefined) throw this.found;
    const answer = new Promise<boolean | StallmarkError>((resolve) => {
      this.waiting = resolve;
    });
    this.write(encodeLine(text));
    const late = this.clock.wait(GATEWAY_DEADLINE).then(() => {
      const what = `The gateway at ${this.name} did not answer ${text} within ${GATEWAY_DEADLINE} ms.`;
      return failureOf('link/silent', what, 'Check the path and the baud rate of the gateway.');
    });
    const said = await Promise.race([answer, late]);
    this.waiting = undefined;
    if (said instanceof StallmarkError) throw said;
    return said;
  }

  private hear(word: GatewayWord): void {
    switch (word.kind) {
      case 'frame': {
        const { id, data, isExtended, remote } = word.frame;
        if (isExtended === true || remote !== undefined) return; // nobody here speaks in these
        this.listeners.get(id)?.(data);
        return;
      }
      case 'done':
      case 'refused':
        this.hearAnswer(word.kind === 'done');
        return;
      case 'told':
        return;
      case 'garbled': {
        if (!this.isOpen) return; // the end of what was on its way to somebody before
        const what = `The gateway at ${this.name} sent ${JSON.stringify(word.line)}, which is no frame.`;
        const fix = 'Check the cable, the baud rate and the ground of the gateway.';
        this.fail(failureOf('link/garbled', what, fix));
        return;
      }
      default:
        unreachable(word);
    }
  }

  private hearAnswer(isDone: boolean): void {
    const { waiting } = this;
    this.waiting = undefined;
    if (waiting !== undefined) {
      waiting(isDone);
      return;
    }
    if (isDone || !this.isOpen) return;
    const what = `The gateway at ${this.name} did not take a frame.`;
    const fix = 'Check the CAN cable, its two terminating resistors and the bit rate.';
    this.fail(failureOf('link/refused', what, fix));
  }

  private write(line: Uint8Array): void {
    if (this.gone) return;
    if (this.unsent >= MOST_UNSENT) {
      this.gone = true;
      const what = `The gateway at ${this.name} left ${MOST_UNSENT} frames untaken.`;
      this.fail(failureOf('link/stalled', what, 'Raise the baud rate, or look at the gateway.'));
      return;
    }
    this.unsent += 1;
    this.written = this.port.write(line).then(
      () => {
        this.unsent -= 1;
      },
      (error: unknown) => {
        this.gone = true;
        const what = `The gateway at ${this.name} cannot be written to.`;
        const fix = 'Check its cable and its power.';
        const made = new StallmarkError([{ code: 'link/closed', what, fix }], { cause: error });
        this.fail(error instanceof StallmarkError ? error : made);
      },
    );
  }

  private fail(failure: StallmarkError): void {
    if (this.found !== undefined) return;
    this.found = failure;
    this.waiting?.(failure);
    for (const listener of this.failing.splice(0)) listener(failure);
  }
}

/** One problem as an error. */
export function failureOf(code: ErrorCode, what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code, what, fix }]);
}
