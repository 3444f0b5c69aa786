import type { Clock } from '../base/clock.js';
import type { Block, Channel } from '../bench/bench.js';
import type { Columns, Frame } from './nest-view.js';
import type { Tap } from './nest-bench.js';

/** s: width of a column, so that single updates of the command can be seen. */
const COLUMN = 0.001;
/** ms between two frames at least: every second block of 20 ms, 25 a second, also where blocks jitter. */
const BETWEEN = 30;
/** Columns of one frame at most; a bench that runs faster than time gets wider ones. */
const MOST = 200;

type Traced = Extract<Channel, 'command' | 'current' | 'torque'>;
const TRACED: readonly Traced[] = ['command', 'current', 'torque'];

/** Least and greatest value of each column so far; NaN where nothing was sampled. */
type Extremes = Readonly<Record<Traced, { readonly low: number[]; readonly high: number[] }>>;

/**
 * Thins the samples of an attempt to frames for a browser: the least and the greatest value of each
 * column, so that no spike is lost.
 *
 * Check: tests/unit/nest-trace.test.ts.
 */
export class NestTrace implements Tap {
  #stage = 0;
  #take = -1;
  #from = 0;
  #columns = extremes();
  #sent = -Infinity;

  /**
   * @param rate - Samples a second.
   * @param torqueConstant - Nominal, N·m/A: turns motor current into torque produced.
   * @param send - Told each frame.
   */
  constructor(
    private readonly rate: number,
    private readonly torqueConstant: number,
    private readonly clock: Clock,
    private readonly send: (frame: Frame) => void,
  ) {}

  /** The next takes are of this stage. */
  stage(index: number): void {
    this.#flush();
    this.#stage = index;
    this.#take = -1;
  }

  begin(): void {
    this.#flush();
    this.#take += 1;
    this.#from = 0;
  }

  block({ start, samples }: Block): void {
    const width = Math.round(COLUMN * this.rate);
    const first = Math.round(this.#from / COLUMN);
    for (const channel of TRACED) {
      const { low, high } = this.#columns[channel];
      const values = samples[channel] ?? new Float32Array();
      for (const [i, value] of values.entries()) {
        const column = Math.floor((start + i) / width) - first;
        if (column < 0) continue; // late samples of a column that was sent already
        low[column] = Math.min(low[column] ?? Infinity, value);
        high[column] = Math.max(high[column] ?? -Infinity, value);
      }
    }
    if (this.clock.monotonic() - this.#sent >= BETWEEN) this.#flush();
  }

  /** Sends what has not been sent yet. */
  end(): void {
    this.#flush();
  }

  #flush(): void {
    const length = Math.max(...TRACED.map((channel) => this.#columns[channel].low.length));
    if (length === 0) return;
    const merged = Math.ceil(length / MOST);
    const kt = this.torqueConstant;
    this.send({
      stage: this.#stage,
      take: this.#take,
      from: this.#from,
      step: merged * COLUMN,
      command: columnsOf(this.#columns.command, merged, 1),
      produced: columnsOf(this.#columns.current, merged, kt),
      torque: columnsOf(this.#columns.torque, merged, 1),
    });
    this.#from += length * COLUMN;
    this.#columns = extremes();
    this.#sent = this.clock.monotonic();
  }
}

const extremes = (): Extremes => ({
  command: { low: [], high: [] },
  current: { low: [], high: [] },
  torque: { low: [], high: [] },
});

function columnsOf({ low, high }: Extremes[Traced], merged: number, factor: number): Columns {
  const scaled = (values: readonly number[], worse: (...of: number[]) => number) =>
    Array.from({ length: Math.ceil(values.length / merged) }, (_, i) => {
      const some = values.slice(i * merged, (i + 1) * merged).filter((v) => Number.isFinite(v));
      return some.length === 0 ? null : rounded(worse(...some) * factor);
    });
  return { low: scaled(low, Math.min), high: scaled(high, Math.max) };
}

/** To 0.1 mN·m: finer than any screen. */
const rounded = (value: number): number => Math.round(value * 1e4) / 1e4;
