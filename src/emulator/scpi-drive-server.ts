import type { Quantity } from '../base/units.js';
import { hertz, torquePerSecond } from '../base/units.js';
import { FAULT_CODES } from '../bench/drive.js';
import type { Settings } from '../procedure/procedure.js';
import type { Waveform } from '../pattern/waveform.js';
import {
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
import { levelsOf } from './scpi-levels.js';
import type { EmulatedStand } from './stand.js';

const MOST_SLEW = 1e6;
/** Most that a limit can be told to be before it is clipped; what stands for infinity is beyond. */
const MOST_SET = 1e9;

type Silence = NonNullable<Waveform['silence']>;

/** A waveform generator with an output stage, a limit and a watchdog; the item is at its output. */
export class ScpiDrive implements ScpiDevice {
  readonly identity = 'SIMULATED,Torque generator,0,1.0';
  readonly commands: CommandList;
  private isLittleEndian = false;
  /** N·m and s as the device holds them. */
  private held: { readonly ceiling: number; readonly deadMan: number };
  private smoothing = 0;
  /** N·m/s; 0: as the item has it. */
  private slew = 0;
  private updates: Quantity<'Hz'>;
  /** N·m */
  private levels = new Float64Array(0);
  private silence: Silence | undefined;
  /** Whether what is set is what the stand has ready. */
  private isLoaded = false;
  /** Whether data and silence were started: the next data begin anew, without silence. */
  private isUsed = false;
  /** Counts what takes torque away, so that a start that waits for something is not made after it. */
  private takenAway = 0;

  constructor(private readonly stand: EmulatedStand) {
    this.held = { ceiling: 0, deadMan: stand.deadMan[1] };
    this.updates = stand.mostUpdates;
    this.commands = [...this.item(), ...this.output(), ...this.generator()];
  }

  get isHung(): boolean {
    return 'isHung' in this.stand && this.stand.isHung === true;
  }

  reset(): void {
    this.switchOff('*RST');
    this.held = { ceiling: 0, deadMan: this.stand.deadMan[1] };
    this.smoothing = 0;
    this.slew = 0;
    this.updates = this.stand.mostUpdates;
    this.levels = new Float64Array(0);
    this.silence = undefined;
    this.isLittleEndian = false;
  }

  gone(reason: string): void {
    this.switchOff(reason);
  }

  private item(): CommandList {
    const { stand } = this;
    const identity = (): string => {
      const told = stand.identity();
      const {
        model,
        serial,
        firmware,
        firmwareDigest,
        revision = '',
        parametersDigest = '',
      } = told;
      const fields = [model, serial, firmware, firmwareDigest, revision, parametersDigest];
      return fields.map(quoted).join(',');
    };
    const components = (): string => {
      const told = stand.identity().components ?? [];
      const fields = told.flatMap(({ kind, serial }) => [kind, serial]);
      return (fields.length === 0 ? ['', ''] : fields).map(quoted).join(',');
    };
    return [
      ['ITEM:IDN?', plainly(identity)],
      ['ITEM:COMPonents?', plainly(components)],
      ['ITEM:SMOothing', (p) => this.setting(p.whole(0, 5), (n) => (this.smoothing = n))],
      ['ITEM:SMOothing?', plainly(() => String(this.smoothing))],
      ['ITEM:SLEW', (p) => this.setting(p.number(0, MOST_SLEW), (slew) => (this.slew = slew))],
      ['ITEM:SLEW?', plainly(() => numberText(this.slew))],
      [
        'FORMat:BORDer',
        (p) => {
          const is = p.word('NORMal', 'SWAPped') === 'SWAPped';
          return doing(() => {
            this.isLittleEndian = is;
          });
        },
      ],
      ['FORMat:BORDer?', plainly(() => (this.isLittleEndian ? 'SWAP' : 'NORM'))],
    ];
  }

  private output(): CommandList {
    const { stand } = this;
    const most = MOST_SET;
    return [
      [
        'OUTPut:LIMit',
        (p) => {
          const ceiling = p.number(0, most);
          return { run: () => this.hold({ ...this.held, ceiling }) };
        },
      ],
      ['OUTPut:LIMit?', plainly(() => numberText(this.held.ceiling))],
      [
        'OUTPut:WATChdog',
        (p) => {
          const deadMan = p.number(Number.MIN_VALUE, most);
          return { run: () => this.hold({ ...this.held, deadMan }) };
        },
      ],
      ['OUTPut:WATChdog?', plainly(() => numberText(this.held.deadMan))],
      [
        'OUTPut:WATChdog:FEED',
        () =>
          doing(() => {
            stand.feed();
          }, 'once'),
      ],
      ['OUTPut[:STATe]', (p) => this.switched(p)],
      ['OUTPut[:STATe]?', plainly(() => (stand.isEnergized ? '1' : '0'))],
      ['OUTPut:RAMP', plainly(() => this.rampOut())],
    ];
  }

  private generator(): CommandList {
    return [
      [
        '[SOURce:]ARBitrary:RATE',
        (p) => {
          const rate = p.number(Number.MIN_VALUE, this.stand.mostUpdates);
          return this.setting(rate, () => (this.updates = hertz(rate)));
        },
      ],
      ['[SOURce:]ARBitrary:RATE?', plainly(() => numberText(this.updates))],
      [
        '[SOURce:]ARBitrary:DATA',
        (p) => {
          const bytes = p.block();
          return { run: () => this.takeData(bytes) };
        },
      ],
      ['[SOURce:]ARBitrary:POINts?', plainly(() => String(this.levels.length))],
      [
        '[SOURce:]ARBitrary:SILence',
        (p) => {
          const from = p.whole(0, Number.MAX_SAFE_INTEGER);
          const to = p.whole(from, Number.MAX_SAFE_INTEGER);
          return { run: () => this.takeSilence({ from, to }) };
        },
      ],
      [
        '[SOURce:]ARBitrary:SILence?',
        plainly(() => `${this.silence?.from ?? 0},${this.silence?.to ?? 0}`),
      ],
      ['[SOURce:]ARBitrary:STATus?', plainly(() => this.report())],
      ['INITiate[:IMMediate]', plainly(() => this.start())],
      [
        'ABORt',
        () =>
          doing(() => {
            this.abort();
          }, 'again'),
      ],
      ['SYSTem:COMPLaint?', plainly(() => quoted(complaint(this.stand.report().fault)))],
    ];
  }

  /** Sets what the next start goes by. */
  private setting<T>(value: T, put: (value: T) => unknown): Work {
    return doing(() => {
      put(value);
      this.isLoaded = false;
    });
  }

  private hold(wanted: { readonly ceiling: number; readonly deadMan: number }): Outcome {
    if (this.stand.isEnergized) return fault('-221', 'the output is on');
    this.held = this.stand.limit(wanted.ceiling, wanted.deadMan);
    return undefined;
  }

  private switched(p: ParameterReader): Work {
    if (p.state()) {
      return doing(() => {
        this.switchOn();
      });
    }
    return doing(() => {
      this.switchOff('OUTP OFF');
    }, 'again');
  }

  private switchOn(): void {
    if (this.stand.isEnergized) return;
    // What was set over an earlier connection does not hold.
    this.held = this.stand.limit(this.held.ceiling, this.held.deadMan);
    this.stand.energize();
    this.isLoaded = false;
  }

  private switchOff(reason: string): void {
    this.takenAway += 1;
    this.isLoaded = false;
    this.stand.off(reason);
  }

  private rampOut(): Outcome {
    this.takenAway += 1;
    this.isLoaded = false;
    return { goesOn: this.stand.rampOut() };
  }

  private abort(): void {
    this.takenAway += 1;
    this.stand.finish();
  }

  private async takeData(bytes: Uint8Array): Promise<Outcome> {
    if (this.stand.isPlaying) return fault('-221', 'a waveform goes on');
    const levels = levelsOf(bytes, this.isLittleEndian, this.stand.mostTorque);
    if ('number' in levels) return levels;
    this.levels = levels;
    if (this.isUsed) this.silence = undefined;
    this.isUsed = false;
    await this.loadWhenOn();
    return undefined;
  }

  private async takeSilence(silence: Silence): Promise<Outcome> {
    if (this.stand.isPlaying) return fault('-221', 'a waveform goes on');
    this.silence = silence.to > silence.from ? silence : undefined;
    this.isLoaded = false;
    // It may be told before its data as well; then it is judged with them.
    if (!this.isUsed && this.levels.length > 0) await this.loadWhenOn();
    return undefined;
  }

  /** Without power nothing can be made ready, and the start does it. */
  private async loadWhenOn(): Promise<void> {
    this.isLoaded = false;
    if (this.stand.isEnergized) await this.load();
  }

  private async load(): Promise<void> {
    const silence = this.silence;
    const waveform: Waveform = {
      rate: this.updates,
      command: this.levels,
      ...(silence === undefined ? {} : { silence }),
    };
    const settings: Settings = {
      smoothing: this.smoothing,
      fixture: 'coupled',
      ...(this.slew === 0 ? {} : { slew: torquePerSecond(this.slew) }),
    };
    await this.stand.load(waveform, settings);
    this.isLoaded = true;
  }

  private async start(): Promise<Outcome> {
    if (!this.stand.isEnergized) return fault('-221', 'the output is off');
    if (this.stand.isPlaying) return fault('-213');
    if (this.levels.length === 0) return fault('-221', 'there are no data');
    const before = this.takenAway;
    if (!this.isLoaded) await this.load();
    if (this.takenAway !== before) return fault('-221', 'torque was taken away before the start');
    this.stand.start();
    this.isUsed = true;
    return undefined;
  }

  private report(): string {
    const {
      updates,
      missing,
      gap,
      jitter,
      duty,
      time,
      fault: code,
      torqueEnabled,
    } = this.stand.report();
    const values = [updates, missing, gap, jitter, duty, time, code, torqueEnabled ? 1 : 0];
    return values.map(numberText).join(',');
  }
}

/** What is wrong, in the words of the instrument. */
function complaint(code: number): string {
  switch (code) {
    case FAULT_CODES.none:
      return '';
    case FAULT_CODES.deadMan:
      return 'Watchdog: no feed in time';
    case FAULT_CODES.overTorque:
      return 'Torque above the limit';
    case FAULT_CODES.safeTorqueOff:
      return 'Safe torque off by the safety lines';
    default:
      return `Fault ${code} of the item`;
  }
}
