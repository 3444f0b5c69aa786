/** What comes to rest after power went. */
export type Resting = 'zero' | 'shaft-zero';

/** s of the plant between two looks. */
export const LOOK_SECONDS = 0.5e-3;
/** Looks for which torque must stay within the limit: 10 ms, more than two periods of the shaft. */
const STAYS = 20;
/** Looks after which nobody waits any longer: 1 s. */
const MOST_LOOKS = 2000;
/** Share of the ceiling, and N·m, below which torque counts as gone; the lower counts. */
const [SHARE, LEAST] = [0.05, 0.1];

/** Since when torque has stayed within the limit. */
interface Since {
  readonly look: number;
  readonly at: bigint;
}

/** Watches torque after power went, until motor and shaft have come to rest. */
export class Fall {
  private readonly limit: number;
  private readonly since = new Map<Resting, Since>();
  private readonly rested = new Set<Resting>();
  private looks = 0;

  /**
   * @param ceiling - N·m of the device.
   * @param now - ns of the clock of the journal.
   */
  constructor(
    ceiling: number,
    private readonly now: () => bigint,
  ) {
    this.limit = Math.min(SHARE * ceiling, LEAST);
  }

  /** Whether both came to rest, or will not be waited for any longer. */
  get isOver(): boolean {
    return this.rested.size === 2 || this.looks >= MOST_LOOKS;
  }

  /**
   * Looks once.
   *
   * @param motor - N·m that the current makes.
   * @param shaft - N·m in the shaft.
   * @returns What has now stayed at rest for 10 ms, with the instant of the first look at which it was and
   * s of the plant from the end of power to it.
   */
  look(
    motor: number,
    shaft: number,
  ): readonly { readonly what: Resting; readonly at: bigint; readonly after: number }[] {
    const looks: readonly (readonly [Resting, number])[] = [
      ['zero', motor],
      ['shaft-zero', shaft],
    ];
    const found = looks.flatMap(([what, torque]) => {
      if (this.rested.has(what)) return [];
      if (!(Math.abs(torque) <= this.limit)) {
        this.since.delete(what);
        return [];
      }
      const since = this.since.get(what) ?? { look: this.looks, at: this.now() };
      this.since.set(what, since);
      if (this.looks - since.look < STAYS) return [];
      this.rested.add(what);
      return [{ what, at: since.at, after: since.look * LOOK_SECONDS }];
    });
    this.looks += 1;
    return found;
  }
}
