import type { SampleFrame } from './wire-samples.js';

/** Blocks and bytes that may wait for their reader: 5 s of blocks of 20 ms. */
export const MOST_BLOCKS = 256;
const MOST_BYTES = 32 * 2 ** 20;

/** Blocks of a take on their way to whoever reads them: bounded, in order, with an end. */
export class SampleQueue {
  private readonly blocks: SampleFrame[] = [];
  private bytes = 0;
  private isOver = true;
  private wake: () => void = () => undefined;

  /** Begins another take: what is left of the one before is dropped. */
  begin(): void {
    this.blocks.length = 0;
    this.bytes = 0;
    this.isOver = false;
  }

  /** Adds a block. @returns Whether there was room for it. */
  add(block: SampleFrame): boolean {
    this.bytes += block.values.byteLength;
    if (this.blocks.length >= MOST_BLOCKS || this.bytes > MOST_BYTES) return false;
    this.blocks.push(block);
    this.wake();
    return true;
  }

  /** No more will come; what is there can still be read. */
  end(): void {
    this.isOver = true;
    this.wake();
  }

  /** Takes the first block; `undefined` where there is none yet, `over` where none will come. */
  take(): SampleFrame | 'over' | undefined {
    const first = this.blocks.shift();
    if (first === undefined) return this.isOver ? 'over' : undefined;
    this.bytes -= first.values.byteLength;
    return first;
  }

  /** Resolves with the next block or the end; one waits at a time. */
  changed(): Promise<void> {
    return new Promise((resolve) => {
      this.wake = resolve;
    });
  }
}
