import type { Clock } from '../base/clock.js';
import { radian } from '../base/units.js';
import type { Block, Channel } from '../bench/bench.js';
import type { Settings } from '../procedure/procedure.js';
import {
  type Command,
  type CommandList,
  doing,
  numberText,
  type ParameterReader,
  plainly,
  type Work,
} from './scpi-command.js';
import { fault, quoted } from './scpi-fault.js';
import type { ScpiDevice } from './scpi-instrument.js';
import type { Outcome } from './scpi-outcome.js';
import type { EmulatedStand, EmulatedTake } from './stand.js';

/** V per unit of each channel at its input. */
export const INPUT_VOLTS: Readonly<Record<Channel, number>> = {
  command: 0.5,
  current: 1 / 3,
  torque: 0.5,
  supply: 0.125,
  winding: 0.05,
  sound: 0.5,
};
/** V that an input can measure; what is beyond is cut off there. */
export const INPUT_RANGE = 10;

/** Samples of one take at most: 7 minutes at 20 kHz. */
const MOST_POINTS = 2 ** 23;
/** Samples of one reply at most. */
const MOST_FETCHED = 2 ** 16;
/** ms that FETC? waits for samples. */
const FETCH_WAIT = 100;
const MOST_ANGLE = 2 * Math.PI;
/** Condition bits: a sweep goes on, a sweep waits for its trigger. */
const SWEEPING = 8;
const WAITING = 32;
const NOTHING = '#10';

/** Fixtures under the keywords of the instrument. */
const FIXTURES = {
  COUPled: 'coupled',
  UNCoupled: 'uncoupled',
  SHUNt: 'shunt',
  SHUNNegative: 'shunt-negative',
  TIMing: 'timing',
} as const;
const FIXTURE_WORDS = {
  coupled: 'COUP',
  uncoupled: 'UNC',
  shunt: 'SHUN',
  'shunt-negative': 'SHUNN',
  timing: 'TIM',
} as const;

/** A read of the stand that goes on. */
interface Reading {
  readonly take: EmulatedTake;
  readonly from: number;
  readonly count: number;
  readonly block: Promise<Block | undefined>;
}

/** A digitizer with a stand at its inputs. One take at a time; samples are kept by the stand. */
export class ScpiDigitizer implements ScpiDevice {
  readonly identity = 'SIMULATED,Stand digitizer,0,1.0';
  readonly commands: CommandList;
  private isBinary = false;
  private isLittleEndian = false;
  private points = 1024;
  private source: 'EXT' | 'IMM' = 'IMM';
  private arrangement: Pick<Settings, 'fixture' | 'angle'> = { fixture: 'coupled' };
  private take: EmulatedTake | undefined;
  /** Inputs that were over range since the take began, bit 0 for input 1. */
  private over = 0;
  private reading: Reading | undefined;

  constructor(
    private readonly stand: EmulatedStand,
    private readonly clock: Clock,
  ) {
    this.commands = [...this.settings(), ...this.sweep(), ...this.surroundings()];
  }

  get isHung(): boolean {
    return 'isHung' in this.stand && this.stand.isHung === true;
  }

  /** The stand stays arranged as it is: a reset moves nothing. */
  reset(): void {
    this.abort();
    this.take = undefined;
    this.over = 0;
    this.isBinary = false;
    this.isLittleEndian = false;
    this.points = 1024;
    this.source = 'IMM';
  }

  gone(): void {
    this.abort();
  }

  private settings(): CommandList {
    const { stand } = this;
    return [
      ['FORMat[:DATA]', (p) => this.setFormat(p)],
      ['FORMat[:DATA]?', plainly(() => (this.isBinary ? 'REAL,32' : 'ASC,0'))],
      [
        'FORMat:BORDer',
        set(
          (p) => p.word('NORMal', 'SWAPped') === 'SWAPped',
          (is) => (this.isLittleEndian = is),
        ),
      ],
      ['FORMat:BORDer?', plainly(() => (this.isLittleEndian ? 'SWAP' : 'NORM'))],
      ['[SENSe:]CHANnel:COUNt?', plainly(() => String(stand.channels.length))],
      [
        '[SENSe:]SWEep:RATE',
        set(
          (p) => p.number(stand.rate, stand.rate),
          () => undefined,
        ),
      ],
      ['[SENSe:]SWEep:RATE?', plainly(() => numberText(stand.rate))],
      [
        '[SENSe:]SWEep:POINts',
        set(
          (p) => p.whole(1, MOST_POINTS),
          (n) => (this.points = n),
        ),
      ],
      ['[SENSe:]SWEep:POINts?', plainly(() => String(this.points))],
      [
        'TRIGger[:SEQuence]:SOURce',
        set(
          (p) => p.word('EXTernal', 'IMMediate'),
          (word) => (this.source = word === 'EXTernal' ? 'EXT' : 'IMM'),
        ),
      ],
      ['TRIGger[:SEQuence]:SOURce?', plainly(() => this.source)],
    ];
  }

  private sweep(): CommandList {
    return [
      ['INITiate[:IMMediate]', plainly(() => this.initiate())],
      [
        'ABORt',
        () =>
          doing(() => {
            this.abort();
          }, 'again'),
      ],
      ['STATus:OPERation:CONDition?', plainly(() => String(this.condition))],
      ['[SENSe:]DATA:COUNt?', plainly(() => String(this.take?.available ?? 0))],
      ['[SENSe:]CLOCk?', plainly(() => numberText((this.take?.available ?? 0) / this.stand.rate))],
      ['CALCulate:OVERrange?', plainly(() => String(this.over))],
      [
        'FETCh?',
        (p) => {
          const from = p.whole(0, MOST_POINTS);
          const count = p.whole(1, MOST_POINTS);
          return { run: () => this.fetch(from, Math.min(count, MOST_FETCHED)) };
        },
      ],
    ];
  }

  private surroundings(): CommandList {
    const { stand } = this;
    const adapter = (): string => {
      const { id = '', kind = '', serial = '' } = stand.environment().adapter ?? {};
      return [id, kind, serial].map(quoted).join(',');
    };
    return [
      [
        'ROUTe:FIXTure',
        (p) => {
          const fixture =
            FIXTURES[p.word('COUPled', 'UNCoupled', 'SHUNt', 'SHUNNegative', 'TIMing')];
          return { run: () => this.arrange({ ...this.arrangement, fixture }) };
        },
      ],
      ['ROUTe:FIXTure?', plainly(() => FIXTURE_WORDS[this.arrangement.fixture])],
      [
        'ROUTe:ANGLe',
        (p) => {
          const angle = p.number(-MOST_ANGLE, MOST_ANGLE);
          return { run: () => this.arrange({ ...this.arrangement, angle: radian(angle) }) };
        },
      ],
      ['ROUTe:ANGLe?', plainly(() => numberText(this.arrangement.angle ?? 0))],
      ['[SENSe:]TEMPerature?', plainly(() => numberText(stand.environment().ambient))],
      ['[SENSe:]HUMidity?', plainly(() => numberText(stand.environment().humidity))],
      ['[SENSe:]SUPPly?', plainly(() => numberText(stand.environment().supply))],
      ['SYSTem:UPTime?', plainly(() => numberText(stand.environment().poweredFor ?? Number.NaN))],
      ['SYSTem:ADAPter?', plainly(adapter)],
    ];
  }

  private setFormat(p: ParameterReader): Work {
    const isBinary = p.word('REAL', 'ASCii') === 'REAL';
    if (p.hasMore) p.whole(isBinary ? 32 : 0, isBinary ? 32 : 0);
    return doing(() => {
      this.isBinary = isBinary;
    });
  }

  private async arrange(arrangement: Pick<Settings, 'fixture' | 'angle'>): Promise<Outcome> {
    await this.stand.arrange({ smoothing: 0, ...arrangement });
    this.arrangement = arrangement;
    return undefined;
  }

  /** Done once the sweep is armed, so `*OPC?` does not wait for a trigger; the condition tells of the sweep. */
  private initiate(): Outcome {
    if (this.take !== undefined && !this.take.isOver) return fault('-213');
    this.over = 0;
    this.take = this.stand.arm(this.points, this.source === 'EXT' ? 'trigger' : 'now');
    return undefined;
  }

  private abort(): void {
    if (this.take?.isOver === false) this.take.end();
  }

  private get condition(): number {
    if (this.take === undefined || this.take.isOver) return 0;
    return this.take.isWaiting ? WAITING : SWEEPING;
  }

  /** Samples that are there within `FETCH_WAIT`, which may be fewer, or none. */
  private async fetch(from: number, count: number): Promise<Outcome> {
    const { take } = this;
    if (take === undefined) return fault('-230', 'no take was begun');
    const until = this.clock.monotonic() + FETCH_WAIT;
    const block =
      (await this.within(take, from, count, until)) ?? (await partOf(take, from, count));
    if (block !== undefined && block.start !== from) return fault('-200', 'samples were lost');
    return this.reply(block);
  }

  /** @returns Undefined when the time is over first, or nothing is left. */
  private async within(
    take: EmulatedTake,
    from: number,
    count: number,
    until: number,
  ): Promise<Block | undefined> {
    if (take.isOver || take.available >= from + count) return take.read(from, count);
    const late = this.clock.wait(FETCH_WAIT).then(() => undefined);
    // A read that nobody waits for any more goes on; one at a time keeps their number bounded.
    const earlier = this.reading;
    if (earlier?.take === take && !(earlier.from === from && earlier.count === count)) {
      await Promise.race([earlier.block, late]);
      if (this.reading === earlier || this.clock.monotonic() >= until) return undefined;
    }
    return Promise.race([this.begin(take, from, count), late]);
  }

  private begin(take: EmulatedTake, from: number, count: number): Promise<Block | undefined> {
    const known = this.reading;
    if (known?.take === take && known.from === from && known.count === count) return known.block;
    const block = take.read(from, count).finally(() => {
      if (this.reading?.block === block) this.reading = undefined;
    });
    this.reading = { take, from, count, block };
    return block;
  }

  private reply(block: Block | undefined): string | Uint8Array {
    const { channels } = this.stand;
    const columns = channels.map((channel) => block?.samples[channel]);
    const count = columns.find((column) => column !== undefined)?.length ?? 0;
    if (count === 0) return this.isBinary ? NOTHING : numberText(Number.NaN);
    const volts = new Float32Array(count * channels.length);
    columns.forEach((column, k) => {
      const perUnit = INPUT_VOLTS[channels[k] ?? 'command'];
      for (let i = 0; i < count; i += 1) {
        volts[i * channels.length + k] = this.measured(k, (column?.[i] ?? Number.NaN) * perUnit);
      }
    });
    if (!this.isBinary) return Array.from(volts, numberText).join(',');
    return realBlock(volts, this.isLittleEndian);
  }

  private measured(input: number, volts: number): number {
    if (Math.abs(volts) <= INPUT_RANGE || Number.isNaN(volts)) return volts;
    this.over |= 1 << input;
    return Math.sign(volts) * INPUT_RANGE;
  }
}

/** What is there of a run of samples now, without waiting. */
async function partOf(take: EmulatedTake, from: number, count: number): Promise<Block | undefined> {
  const there = Math.min(count, take.available - from);
  return there > 0 ? take.read(from, there) : undefined;
}

/** Makes a command that sets one thing. */
function set<T>(read: (p: ParameterReader) => T, put: (value: T) => unknown): Command {
  return (p) => {
    const value = read(p);
    return doing(() => {
      put(value);
    });
  };
}

/** Values as a block of definite length. Source: IEEE 488.2-1992, 8.7.9, from memory. */
function realBlock(values: Float32Array, isLittleEndian: boolean): Uint8Array {
  const length = String(values.byteLength);
  const head = Buffer.from(`#${length.length}${length}`);
  const whole = new Uint8Array(head.length + values.byteLength);
  whole.set(head);
  const view = new DataView(whole.buffer, head.length);
  for (let i = 0; i < values.length; i += 1) view.setFloat32(4 * i, values[i] ?? 0, isLittleEndian);
  return whole;
}
