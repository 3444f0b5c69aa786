import type { Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { hertz, newtonMetre, second } from '../base/units.js';
import type { DeviceReport, Identity, Load } from '../bench/bench.js';
import { FAULT_CODES } from '../bench/drive.js';
import { problem } from '../bench/refusal.js';
import { bytesOfVolts } from '../link/scpi-block.js';
import { PATIENT, PROMPT } from '../link/scpi-session.js';
import { saysSimulated, ScpiSpeaker, type OpenPort } from '../link/scpi-speaker.js';
import type { ScpiDescription } from '../procedure/links.js';
import type { DriveAbilities, DriveLink, PowerLimits } from './rig.js';
import { componentsIn, identityIn, reportIn } from './scpi-told.js';

/** ms for a waveform to be taken in and made ready. */
const LOADED = 5000;
/** ms for a ramp to zero torque, after which the output is switched off whether it answered or not. */
const RAMPED = 300;
/** Share by which a number may read back otherwise than it was set, for instruments of seven digits. */
const SAME = 1e-6;

/**
 * Makes the link to a waveform generator after IEEE 488.2 and SCPI-1999 that drives the item by its
 * output in volts.
 *
 * @param open - Calls a device.
 */
export function scpiDrive(
  name: string,
  description: ScpiDescription,
  open: OpenPort,
  clock: Clock,
): DriveLink {
  return new ScpiDrive(new ScpiSpeaker(name, description, open, clock));
}

class ScpiDrive implements DriveLink {
  complaint = '';
  /** Connection over which the limits were set: after another call nobody knows whether they hold. */
  private limitedOver: number | undefined;
  /** Whether what was asked of a drive that plays went well the last time; where it did not, nothing is fed. */
  private isUnderstood = true;
  private readonly feeding: string | undefined;

  constructor(private readonly speaker: ScpiSpeaker) {
    this.feeding = speaker.can('feed') ? speaker.messages('feed').join(';') : undefined;
  }

  get name(): string {
    return this.speaker.name;
  }

  async open(): Promise<DriveAbilities> {
    const { speaker } = this;
    const identity = await speaker.session.open();
    await this.confirmOff();
    return {
      simulated: saysSimulated(identity),
      ...(speaker.can('dead-man')
        ? {
            deadMan: {
              from: second(speaker.numeric('dead-man-from', 0)),
              to: second(speaker.numeric('dead-man-to', 0)),
            },
          }
        : {}),
      maximumUpdates: hertz(speaker.numeric('maximum-updates', 0)),
      smoothing: speaker.can('smoothing') ? speaker.list('smoothing').map(Number) : [0],
      setsSlew: speaker.can('slew'),
      silence: speaker.can('silence'),
      closedLoop: false,
      paced: 'device',
      ceilingStep: speaker.numeric('ceiling-step', 0),
    };
  }

  async identify(): Promise<Identity> {
    const { speaker } = this;
    const item = identityIn(this.name, speaker.list('item'), await speaker.texts('item'));
    if (!speaker.knows('components')) return item;
    return { ...item, components: componentsIn(this.name, await speaker.texts('components')) };
  }

  async limit({ ceiling, deadMan }: PowerLimits): Promise<PowerLimits> {
    const { speaker } = this;
    const step = speaker.numeric('ceiling-step', 0);
    // Never above what was asked for, whichever way the device rounds.
    const held = step > 0 ? Math.floor(ceiling / step) * step : ceiling;
    this.limitedOver = 0; // none: connections count from 1
    await speaker.act('ceiling', { ceiling: held });
    const over = speaker.session.connections;
    if (speaker.can('dead-man')) await speaker.act('dead-man', { 'dead-man': deadMan });
    const told = await speaker.number('ceiling');
    const watch = speaker.can('dead-man') ? await speaker.number('dead-man') : 0;
    if (over !== speaker.session.connections) throw this.calledAgain();
    this.limitedOver = over;
    return { ceiling: newtonMetre(told), deadMan: second(watch) };
  }

  async energize(): Promise<void> {
    const { speaker } = this;
    if (this.limitedOver !== speaker.session.connections) throw this.calledAgain();
    this.complaint = '';
    await speaker.act('on', {}, PATIENT, this.limitedOver); // it may be called again for this very act
    this.isUnderstood = true;
    if (await this.isOn()) return;
    const what = `The link "${this.name}" was switched on and reads back that its output is off.`;
    throw problem('link/read-back', what, 'Look at the drive; the output may be disabled there.');
  }

  async load({ waveform, settings }: Load): Promise<void> {
    const { speaker } = this;
    if (waveform.wheel !== undefined) this.unable('close a loop over a wheel');
    if (waveform.silence !== undefined && !speaker.can('silence')) this.unable('hold updates back');
    await this.smooth(settings.smoothing);
    await this.limitSlew(settings.slew);
    await speaker.act('updates', { rate: waveform.rate });
    await this.refuseOther('updates', waveform.rate, 'Hz');
    if (speaker.can('no-silence')) await speaker.act('no-silence', {}, LOADED);
    const bytes = bytesOfVolts(this.voltsOf(waveform.command), speaker.blockForm);
    await speaker.actWithBlock('waveform', bytes, LOADED);
    if (speaker.knows('samples')) await this.refuseOther('samples', waveform.command.length, '');
    const { silence } = waveform;
    if (silence !== undefined) await speaker.act('silence', { ...silence }, LOADED);
  }

  start(): Promise<void> {
    return this.heeded(this.speaker.act('start', {}, PROMPT, this.limitedOver));
  }

  feed(): void {
    const { session } = this.speaker;
    const isOther = (this.limitedOver ?? session.connections) !== session.connections;
    if (this.feeding === undefined || isOther || !this.isUnderstood) return;
    session.tell(this.feeding);
  }

  async report(): Promise<DeviceReport> {
    const report = await this.heeded(this.askReport());
    const fault = this.faultOf(report.fault);
    if (fault === FAULT_CODES.none) this.complaint = '';
    else if (this.complaint === '') await this.askComplaint(report.fault);
    return { ...report, fault };
  }

  finish(): Promise<void> {
    return this.heeded(this.speaker.act('finish', {}, PROMPT));
  }

  async makeSafe(how: 'ramp' | 'off'): Promise<void> {
    const { speaker } = this;
    const { session } = speaker;
    if (how === 'ramp') await this.rampOut();
    await session.urge(speaker.messages('off'));
    if (await this.isOn(PROMPT)) await this.confirmOff();
    await session.sweep();
  }

  close(): Promise<void> {
    return this.speaker.session.close();
  }

  /** Brings torque to zero, by the device or by ending the waveform. Power goes off after it in any case. */
  private async rampOut(): Promise<void> {
    const { speaker } = this;
    const { session } = speaker;
    await session.urge(speaker.messages(speaker.can('ramp') ? 'ramp' : 'finish'));
    if (!speaker.knows('complete')) return;
    try {
      await speaker.number('complete', RAMPED);
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error; // what is late is switched off next
    }
  }

  private async confirmOff(): Promise<void> {
    await this.speaker.act('off');
    if (!(await this.isOn())) return;
    const what = `The link "${this.name}" was switched off and reads back that its output is on.`;
    throw problem('link/read-back', what, 'Press the emergency stop, then look at the drive.');
  }

  private async isOn(deadline = PATIENT): Promise<boolean> {
    return (await this.speaker.number('output', deadline)) !== 0;
  }

  private async smooth(smoothing: number): Promise<void> {
    const { speaker } = this;
    if (!speaker.can('smoothing')) {
      if (smoothing !== 0) this.unable(`set smoothing ${smoothing}`);
      return;
    }
    await speaker.act('smoothing', { smoothing });
    await this.refuseOther('smoothing', smoothing, '');
  }

  private async limitSlew(slew: number | undefined): Promise<void> {
    const { speaker } = this;
    if (!speaker.can('slew')) {
      if (slew !== undefined) this.unable(`set a slew of ${slew} N·m/s`);
      return;
    }
    const wanted = slew ?? speaker.numeric('own-slew', 0);
    await speaker.act('slew', { slew: wanted });
    await this.refuseOther('slew', wanted, 'N·m/s');
  }

  /** The command in volts. No value stands for more torque than was asked for. */
  private voltsOf(command: Float64Array): Float64Array {
    const { speaker } = this;
    const perVolt = speaker.numeric('torque-per-volt', 1);
    const range = speaker.numeric('range', Number.POSITIVE_INFINITY);
    return command.map((torque, i) => {
      const volts = torque / perVolt;
      if (Math.abs(volts) > range) {
        const what = `Update ${i} of the waveform is ${volts} V at ${perVolt} N·m/V; the link "${this.name}" gives ± ${range} V.`;
        throw problem('link/ability', what, 'Lower the levels of the pattern.');
      }
      const grows = Math.abs(volts * perVolt) > Math.abs(torque);
      return grows ? volts * (1 - Number.EPSILON) : volts;
    });
  }

  private async refuseOther(name: string, wanted: number, unit: string): Promise<void> {
    const told = await this.speaker.number(name);
    if (Math.abs(told - wanted) <= SAME * Math.abs(wanted)) return;
    const what = `The link "${this.name}" was set to ${name} ${wanted} ${unit} and reads back ${told}.`;
    throw problem('link/read-back', what, 'Choose what the drive can hold.');
  }

  private calledAgain(): StallmarkError {
    const what = `The link "${this.name}" was called again since its limits were set, and may have lost them.`;
    return problem('link/closed', what, 'Start the run again.');
  }

  private unable(deed: string): never {
    const what = `The link "${this.name}" cannot ${deed}.`;
    throw problem('link/ability', what, 'Leave the stage out, or use another drive.');
  }

  private faultOf(code: number): number {
    if (code === 0) return FAULT_CODES.none;
    const { speaker } = this;
    if (code === speaker.numeric('fault-dead-man', -1)) return FAULT_CODES.deadMan;
    if (code === speaker.numeric('fault-over-torque', -1)) return FAULT_CODES.overTorque;
    if (code === speaker.numeric('fault-safe-torque-off', -1)) return FAULT_CODES.safeTorqueOff;
    return FAULT_CODES.internal;
  }

  private async askReport(): Promise<DeviceReport> {
    const { speaker } = this;
    return reportIn(this.name, speaker.list('report'), await speaker.texts('report', PROMPT));
  }

  /** Notes whether something went well. */
  private async heeded<T>(act: Promise<T>): Promise<T> {
    try {
      const done = await act;
      this.isUnderstood = true;
      return done;
    } catch (error) {
      this.isUnderstood = false;
      throw error;
    }
  }

  /** Asked once per fault, so that a report is one query. */
  private async askComplaint(code: number): Promise<void> {
    const { speaker } = this;
    const said = speaker.knows('complaint') ? (await speaker.texts('complaint')).join(', ') : '';
    this.complaint = said === '' ? `fault ${code}` : said.slice(0, 255);
  }
}
