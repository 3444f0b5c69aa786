import { spawn, spawnSync, type ChildProcessWithoutNullStreams } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { cpus, loadavg, tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';
import { setFlagsFromString } from 'node:v8';
import { runInNewContext } from 'node:vm';
import { correlate, parabolicPeak, shifted } from '../../dist/scoring/delay.js';
import { savitzkyGolay } from '../../dist/scoring/filter.js';
import { histogramLevels } from '../../dist/scoring/levels.js';
import { fitLine } from '../../dist/scoring/line.js';
import { fitSineAndFrequency } from '../../dist/scoring/sine.js';
import { coherenceOf, responseOf, welch } from '../../dist/scoring/spectrum.js';
import { convolve } from '../../dist/kernel/transforms.js';
import { lcgNormal } from '../support/lcg.js';

/**
 * Times the reference workload of scoring beside the same in plain NumPy and SciPy, in turn, on one core
 * each. Three channels of 60 s at 50 000 samples a second; they repeat after 60 s and hold nothing above
 * 0.42 of the sample rate, as behind the filter of a converter: only then is a shift through the
 * spectrum of the whole record, as SciPy does it, defined to all digits.
 */
const RATE = 50_000;
const COUNT = 60 * RATE;
const TIMES = 5;
const WORK = {
  rate: RATE,
  segment: 8192,
  filled: 3200, // bins that hold power
  lags: 2000,
  window: 101,
  degree: 3,
  line: 1_000_000,
  start: 123.401,
  shifts: [12.3, 37.6],
} as const;

interface Records {
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly z: Float64Array;
  readonly sine: Float64Array;
}

/** A square wave with noise, and two late answers to it with noise of their own. */
function makeRecords(): Records {
  const next = lcgNormal(7);
  const noise = (size: number): Float64Array =>
    Float64Array.from({ length: COUNT }, () => size * next());
  const reach = 400;
  const lowPass = Float64Array.from({ length: 2 * reach + 1 }, (_, j) => {
    const away = j - reach;
    const sinc = away === 0 ? 0.8 : Math.sin(0.8 * Math.PI * away) / (Math.PI * away);
    return sinc * Math.exp(-28 * (away / reach) ** 2); // −240 dB beyond 0.42 of the sample rate
  });
  const limited = (x: Float64Array): Float64Array =>
    convolve(x, lowPass, { from: reach, count: COUNT, ends: 'periodic' });
  const square = noise(0.05).map((v, n) => v + (n % RATE < RATE / 2 ? 1 : -1));
  const x = limited(square);
  const late = (shift: number): Float64Array => {
    const own = limited(noise(0.1));
    return shifted(x, -shift, 'periodic').map((v, n) => 0.95 * v + (own[n] as number));
  };
  const [y, z] = WORK.shifts.map(late) as [Float64Array, Float64Array];
  const sine = Float64Array.from(
    { length: 1_000_000 },
    (_, n) => 0.2 + 1.3 * Math.cos((2 * Math.PI * 123.4 * n) / RATE + 0.3) + 0.01 * next(),
  );
  return { x, y, z, sine };
}

type Numbers = readonly ArrayLike<number>[];

/** Our side of each item: the calls that scoring makes. */
const ITEMS: Readonly<Record<string, (r: Records) => Numbers>> = {
  spectra: ({ x, y, z }) =>
    [y, z].flatMap((out) => {
      const { segment } = WORK;
      const densities = welch(x, out, { rate: RATE, segment, overlap: segment / 2 });
      const h1 = responseOf(densities);
      const { xx, yy, xy } = densities;
      const quotients = [coherenceOf(densities), h1.re, h1.im];
      return [xx, yy, xy.re, xy.im, ...quotients.map((q) => q.subarray(0, WORK.filled))];
    }),
  delay: ({ x, y, z }) =>
    [y, z].flatMap((out) => {
      const near = correlate(x, out, { from: -WORK.lags, to: WORK.lags }, 'zero');
      const k = near.reduce((best, v, i) => (v > (near[best] as number) ? i : best), 0);
      const [a, b, c] = near.subarray(k - 1, k + 2) as unknown as [number, number, number];
      return [near, [k - WORK.lags + parabolicPeak(a, b, c).offset]];
    }),
  smoothing: ({ x, y, z }) => [x, y, z].map((r) => savitzkyGolay(r, WORK.window, WORK.degree)),
  levels: ({ x, y, z }) =>
    [x, y, z].flatMap((r) => {
      const found = histogramLevels(r);
      return [[found?.low ?? NaN], [found?.high ?? NaN]];
    }),
  sine: ({ sine }) => {
    const fit = fitSineAndFrequency(sine, RATE, WORK.start);
    if (fit === undefined) throw new Error('no fit');
    return [[fit.a], [fit.b], [fit.offset], [fit.frequency], [fit.residual]];
  },
  line: ({ x, y }) => {
    const fit = fitLine('least-squares', x.subarray(0, WORK.line), y.subarray(0, WORK.line));
    return [[fit?.slope ?? NaN], [fit?.intercept ?? NaN]];
  },
  alignment: ({ x, y, z }) =>
    [y, z].flatMap((out, i) => {
      const apart = shifted(out, WORK.shifts[i] as number, 'periodic');
      let [squares, peak] = [0, 0];
      for (let n = 0; n < apart.length; n++) {
        const e = (apart[n] as number) - (x[n] as number);
        apart[n] = e;
        squares += e * e;
        peak = Math.max(peak, Math.abs(e));
      }
      return [apart, [Math.sqrt(squares / apart.length)], [peak]];
    }),
};

const TITLES: Readonly<Record<string, string>> = {
  spectra: 'densities, coherence, H1: two pairs, 8192, Hann, half overlap',
  delay: 'delay by correlation, two pairs',
  smoothing: 'Savitzky–Golay, 101 samples, cubic, three channels',
  levels: 'state levels, three channels',
  sine: 'four-parameter sine fit, 10⁶ samples',
  line: 'straight line, 10⁶ samples',
  alignment: 'alignment by a fraction of a sample, rms and peak, two channels',
};

/** Seconds of one round. Processor time counts every thread and no other program. */
interface Taken {
  readonly wall: number;
  readonly processor: number;
}

/** Python frees what a round leaves at once; here it is collected before the next, outside the time. */
setFlagsFromString('--expose-gc');
const collect = runInNewContext('gc') as () => void;

function timed(work: () => Numbers): Taken & { readonly result: Numbers } {
  collect();
  const [begun, used] = [performance.now(), process.cpuUsage()];
  const result = work();
  const { user, system } = process.cpuUsage(used);
  return { wall: (performance.now() - begun) / 1e3, processor: (user + system) / 1e6, result };
}

const ONE_THREAD = {
  OMP_NUM_THREADS: '1',
  OPENBLAS_NUM_THREADS: '1',
  MKL_NUM_THREADS: '1',
  NUMEXPR_NUM_THREADS: '1',
};

/** The other side: a process that answers the name of an item with its times. */
class Reference {
  readonly #process: ChildProcessWithoutNullStreams;
  readonly #lines: AsyncIterator<string>;

  constructor(readonly folder: string) {
    const script = fileURLToPath(new URL('scoring_reference.py', import.meta.url));
    this.#process = spawn('python3', [script, folder], { env: { ...process.env, ...ONE_THREAD } });
    this.#process.stderr.pipe(process.stderr);
    this.#lines = createInterface({ input: this.#process.stdout })[Symbol.asyncIterator]();
  }

  async ask(item: string): Promise<Taken> {
    this.#process.stdin.write(`${item}\n`);
    const line = await this.#lines.next();
    if (line.done === true) throw new Error(`the reference ended at "${item}"`);
    return JSON.parse(line.value) as Taken;
  }

  result(item: string): Float64Array {
    const bytes = readFileSync(join(this.folder, `${item}.f64`));
    return new Float64Array(bytes.buffer, bytes.byteOffset, bytes.length / 8);
  }

  end(): void {
    this.#process.stdin.end();
  }
}

/** Greatest difference of two results, each part of ours against its own peak. */
function apart(ours: Numbers, other: Float64Array): number {
  let [worst, at] = [0, 0];
  for (const part of ours) {
    let [difference, peak] = [0, 0];
    for (let i = 0; i < part.length; i++) {
      const [a, b] = [part[i] as number, other[at++] as number];
      if (Number.isNaN(a) || Number.isNaN(b)) return NaN;
      difference = Math.max(difference, Math.abs(a - b));
      peak = Math.max(peak, Math.abs(b));
    }
    worst = Math.max(worst, difference / peak);
  }
  return at === other.length ? worst : NaN;
}

const median = (values: readonly number[]): number =>
  [...values].sort((a, b) => a - b)[Math.floor(values.length / 2)] ?? NaN;

interface Row {
  readonly title: string;
  readonly ours: Taken;
  readonly theirs: Taken | undefined;
  readonly difference: number;
}

async function measure(item: string, records: Records, reference?: Reference): Promise<Row> {
  const work = ITEMS[item];
  if (work === undefined) throw new Error(`no item "${item}"`);
  const [ours, theirs]: [Taken[], Taken[]] = [[], []];
  let difference = NaN;
  for (let i = 0; i < TIMES; i++) {
    const { result, ...taken } = timed(() => work(records));
    ours.push(taken);
    if (reference === undefined) continue;
    theirs.push(await reference.ask(item));
    if (i === 0) difference = apart(result, reference.result(item));
  }
  const middle = (all: readonly Taken[]): Taken => ({
    wall: median(all.map((t) => t.wall)),
    processor: median(all.map((t) => t.processor)),
  });
  const title = TITLES[item] ?? item;
  return { title, ours: middle(ours), theirs: reference && middle(theirs), difference };
}

function report(rows: readonly Row[]): string {
  const total = (which: (row: Row) => Taken | undefined): Taken => ({
    wall: rows.reduce((sum, row) => sum + (which(row)?.wall ?? NaN), 0),
    processor: rows.reduce((sum, row) => sum + (which(row)?.processor ?? NaN), 0),
  });
  const whole: Row = {
    title: '**whole workload**',
    ours: total((row) => row.ours),
    theirs: total((row) => row.theirs),
    difference: Math.max(...rows.map((row) => row.difference)),
  };
  const ms = (seconds: number | undefined): string =>
    seconds === undefined || Number.isNaN(seconds) ? '–' : `${(1000 * seconds).toFixed(1)} ms`;
  const times = (a: number | undefined, b: number): string =>
    a === undefined || Number.isNaN(a) ? '–' : `${(a / b).toFixed(1)} ×`;
  const lines = [...rows, whole].map(({ title, ours, theirs, difference }) =>
    [
      title,
      ms(ours.processor),
      ms(theirs?.processor),
      times(theirs?.processor, ours.processor),
      times(theirs?.wall, ours.wall),
      Number.isNaN(difference) ? '–' : difference.toExponential(0),
    ].join(' | '),
  );
  return [
    '| item | ours | SciPy | SciPy / ours | the same by wall clock | greatest difference over peak |',
    '| - | - | - | - | - | - |',
    ...lines.map((line) => `| ${line} |`),
  ].join('\n');
}

async function main(): Promise<void> {
  const asked = spawnSync(
    'python3',
    ['-c', 'import numpy, scipy; print(numpy.__version__, scipy.__version__)'],
    {
      encoding: 'utf8',
    },
  );
  const there = asked.status === 0;
  const folder = mkdtempSync(join(tmpdir(), 'stallmark-scoring-'));
  try {
    const records = makeRecords();
    for (const [name, record] of Object.entries(records) as [string, Float64Array][])
      if (there) writeFileSync(join(folder, `${name}.f64`), record);
    writeFileSync(join(folder, 'workload.json'), JSON.stringify(WORK));
    const reference = there ? new Reference(folder) : undefined;
    const rows: Row[] = [];
    for (const item of Object.keys(ITEMS)) rows.push(await measure(item, records, reference));
    reference?.end();
    const [numpy = '', scipy = ''] = there ? asked.stdout.trim().split(' ') : [];
    const against = there
      ? `NumPy ${numpy}, SciPy ${scipy}, one thread each, in turn`
      : 'SciPy is not on this machine: ours alone';
    const machine = `${String(cpus().length)} × ${cpus()[0]?.model ?? 'unknown'}, load ${(loadavg()[0] ?? 0).toFixed(1)}, Node ${process.version}`;
    const text = `As measured on ${machine}; ${against}.\nThree channels of 60 s at 50 000 samples a second; medians of ${TIMES}, processor time; aim: 10 ×, 1e-11.\n\n${report(rows)}\n`;
    process.stdout.write(text);
    if (process.argv[2] !== undefined)
      writeFileSync(process.argv[2], `# Speed of scoring\n\n${text}`);
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

await main();
