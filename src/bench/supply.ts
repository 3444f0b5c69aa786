/** s: time in which the supply settles after a change of load. */
const SETTLING = 2e-3;

/** Supply of the bus: a voltage behind a resistance, with a slow regulator. */
export class Supply {
  /** Bus voltage now, V. */
  voltage: number;
  private readonly share: number;

  /**
   * @param open - V without load
   * @param resistance - Ω
   * @param step - s
   */
  constructor(
    private readonly open: number,
    private readonly resistance: number,
    step: number,
  ) {
    this.voltage = open;
    this.share = 1 - Math.exp(-step / SETTLING);
  }

  /** Draws a power in W for one step. */
  advance(power: number): void {
    const settled = this.open - (this.resistance * power) / this.voltage;
    this.voltage += this.share * (settled - this.voltage);
  }
}
