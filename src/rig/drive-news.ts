import type { Clock } from '../base/clock.js';
import type { DeviceReport } from '../bench/bench.js';
import { FAULT_CODES } from '../bench/drive.js';
import type { WireReport } from '../link/wire-samples.js';

/** ms for which a report is news. */
const NEWS = 50;

/** What a drive said of itself last, in the fault codes of a rig. */
export class DriveNews {
  /** What is wrong, in the words of the device. */
  complaint = '';
  private latest: { readonly report: WireReport; readonly at: number } | undefined;

  constructor(private readonly clock: Clock) {}

  tell(report: WireReport): void {
    this.latest = { report, at: this.clock.monotonic() };
  }

  /** What was said is no news any more: the drive has to be asked. */
  forget(): void {
    this.latest = undefined;
  }

  /** What was said within the last 50 ms. */
  get fresh(): DeviceReport | undefined {
    const { latest } = this;
    if (latest === undefined || this.clock.monotonic() - latest.at > NEWS) return undefined;
    return this.inOurCodes(latest.report);
  }

  /** Faults that only the device knows are told as one, with its own number in the complaint. */
  inOurCodes(report: WireReport): DeviceReport {
    if (Object.values(FAULT_CODES).some((code) => code === report.fault)) return report;
    const number = `fault ${report.fault}`;
    if (!this.complaint.includes(number)) {
      this.complaint = this.complaint === '' ? number : `${this.complaint} (${number})`;
    }
    return { ...report, fault: FAULT_CODES.internal };
  }
}
