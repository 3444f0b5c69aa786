import type { Clock } from '../base/clock.js';
import type { WireLines } from './wire-message.js';

/** s after which safety lines that nobody told anew read as open. */
export const OLDEST_LINES = 0.2;

/** Safety lines with the time since they were true, s. */
export type AgedLines = WireLines & { readonly age: number };

/** Keeps what was told of safety lines last. Any doubt reads as open. */
export class LinesKeeper {
  private told: WireLines | undefined;
  /** ms of the clock at which it was true; −Infinity where nobody knows. */
  private at = -Infinity;

  constructor(private readonly clock: Clock) {}

  /** @param at - ms of the clock. */
  tell(lines: WireLines, at: number): void {
    this.told = lines;
    this.at = at;
  }

  /** From now on all lines are open, until they are told anew. */
  forget(): void {
    this.at = -Infinity;
  }

  /** s */
  age(): number {
    return (this.clock.monotonic() - this.at) / 1000;
  }

  read(): AgedLines {
    const age = this.age();
    const { told } = this;
    if (told !== undefined && age <= OLDEST_LINES) return { ...told, age };
    const coupling = told?.coupling === undefined ? {} : { coupling: 'loose' as const };
    return { guard: 'open', emergencyStop: 'pressed', presence: 'released', ...coupling, age };
  }
}
