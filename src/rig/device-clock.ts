/** s: how far a report that was asked for may lie from the end of the block it goes with. Own choice. */
const LATENCY = 5e-3;
/** Share by which clocks of quartz differ. Common practice, no source. */
const SKEW = 1e-4;
/** s²: weight of the belief that both clocks go alike, against points that scatter by the latency. */
const BELIEF = (LATENCY / SKEW) ** 2;

/**
 * The clock of a device that tells its time when it is asked, some moment after the samples: a straight
 * line through what it told over the samples' own time. A delay that stays the same does not move it, and
 * before there is enough to tell a skew from latency it goes like the samples. Source: ridge regression of
 * the slope (from memory).
 *
 * Check: tests/unit/device-clock.test.ts.
 */
export class DeviceClock {
  private count = 0;
  private passed = 0;
  private ahead = 0;
  private squares = 0;
  private products = 0;

  /**
   * Takes one reading.
   *
   * @param passed - s of samples since the take began.
   * @param told - s of the device since its waveform began.
   */
  add(passed: number, told: number): void {
    this.count += 1;
    const off = passed - this.passed;
    this.passed += off / this.count;
    this.ahead += (told - passed - this.ahead) / this.count;
    this.squares += off * (passed - this.passed);
    this.products += off * (told - passed - this.ahead);
  }

  /** Seconds of the device to one second of the samples. */
  get pace(): number {
    return 1 + this.products / (this.squares + BELIEF);
  }
}
