import type { Channel } from '../bench/bench.js';
import type { SampleFrame } from '../link/wire-samples.js';
import type { WireSession } from '../link/wire-session.js';
import type { TakeOrder } from './rig.js';
import { breakOff } from './wire-call.js';
import { WireTake } from './wire-take.js';

/** The takes of one conversation, numbered as the adapter numbers them: those that it began, from 1. */
export class WireTakes {
  private going: WireTake | undefined;
  private begun = 0;

  /** The take that goes on; blocks of others are dropped. */
  get current(): WireTake | undefined {
    return this.going;
  }

  /**
   * Has a take begun.
   *
   * @throws link/garbled when nobody knows what became of the one before: samples of one could pass for
   * those of the other. Whatever the adapter says against it.
   */
  async arm(session: WireSession, order: TakeOrder, channels: readonly Channel[]): Promise<void> {
    if (session.isOwed('arm')) {
      throw breakOff(session, 'link/garbled', 'did not say what became of the take before');
    }
    const { samples, rate, on, afterStop } = order;
    const members = { samples, rate_Hz: rate, on, ...(afterStop !== undefined && { afterStop }) };
    session.samples.begin(); // blocks may come before the reply
    this.going = new WireTake(this.begun + 1, order, channels);
    try {
      await session.request({ do: 'arm', members }, () => undefined);
      this.begun += 1;
    } catch (error) {
      this.going = undefined;
      throw error;
    }
  }

  /** Notes the reply to a request that was given up. */
  hearLate(asked: string, isDone: boolean): void {
    if (asked === 'arm' && isDone) this.begun += 1;
  }

  /** Lets go of the take; blocks that are on their way are dropped. */
  drop(): void {
    this.going = undefined;
  }

  /** Notes that the adapter ended a take. */
  hearEnd(session: WireSession, number: number): void {
    if (number > this.newest(session)) {
      breakOff(session, 'link/garbled', `ended take ${number}, which nobody asked for`);
    } else if (number === this.going?.number) {
      this.going.end();
      session.samples.end();
    }
  }

  /** Holds a block against the take that goes on. @returns Whether it belongs to it. */
  look(session: WireSession, frame: SampleFrame): boolean {
    if (frame.take > this.newest(session)) {
      breakOff(session, 'link/garbled', `sent take ${frame.take}, which nobody asked for`);
    }
    if (this.going?.number !== frame.take) return false;
    const found = this.going.add(frame);
    if (found !== undefined) breakOff(session, found.code, found.what);
    return found === undefined;
  }

  /** Number of the take that was asked for last, also when nobody knows whether it began. */
  private newest(session: WireSession): number {
    return this.going?.number ?? this.begun + (session.isOwed('arm') ? 1 : 0);
  }
}
