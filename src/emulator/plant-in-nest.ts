import type { Environment, Identity, Ratings } from '../bench/bench.js';
import { type Frame, frameOf, SUPPLY_RANGE, WINDING_RANGE } from '../bench/converter.js';
import { Incidents } from '../bench/incident.js';
import { environmentOf, identityOf, ratingsOf } from '../bench/nameplate.js';
import { Noise } from '../bench/noise.js';
import { Plant, SAMPLE_RATE } from '../bench/plant.js';
import type { Parameters } from '../bench/spread.js';
import { pressInstant, StopFunction } from '../bench/stop-function.js';
import { drawParameters, type SimulatedItem } from '../bench/truth.js';
import { Harness } from '../bench/wiring.js';
import type { Quantity } from '../base/units.js';
import { StreamedUpdates } from './streamed-updates.js';
import { BLOCK } from './take.js';

/** s that the dead-man is set to until somebody sets another, and what current needs to go after it. */
export const [DEAD_MAN, GOING] = [0.095, 0.005] as const;

/** One item on one clamping: the plant with all that is drawn for it. Another item has another. */
export class PlantInNest {
  readonly plant: Plant;
  readonly harness: Harness;
  readonly stopping: StopFunction;
  readonly incidents: Incidents;
  readonly ratings: Ratings;
  /** Where samples go that nobody takes. */
  readonly idle: Frame = frameOf(BLOCK);
  /** Blocks from one burst of lost blocks to the next; 0 for none. */
  readonly lossEvery: number;
  /** Whether it was energized yet. */
  wasEnergized = false;
  private readonly parameters: Parameters;
  private takes = 0;
  private takeName = 'no take';

  constructor(private readonly item: SimulatedItem) {
    const parameters = drawParameters(item);
    const { stand } = parameters;
    this.parameters = parameters;
    this.plant = new Plant(parameters, DEAD_MAN + GOING);
    this.stopping = new StopFunction(Math.round(stand.stopDelay * SAMPLE_RATE));
    this.incidents = new Incidents(parameters.incidents);
    this.ratings = ratingsOf(item.station, stand.fitted);
    this.lossEvery = Math.round((parameters.link.dropouts * SAMPLE_RATE) / BLOCK);
    this.harness = new Harness(stand.wiring, {
      command: stand.torqueRange,
      current: stand.currentRange,
      torque: stand.torqueRange,
      supply: SUPPLY_RANGE,
      winding: WINDING_RANGE,
      sound: stand.soundRange,
    });
  }

  get identity(): Identity {
    return identityOf(this.parameters.item);
  }

  get environment(): Environment {
    const { plant, stopping, wasEnergized, parameters } = this;
    const time = stopping.now / SAMPLE_RATE;
    return environmentOf(parameters.stand, { supply: plant.supplyVoltage, time, wasEnergized });
  }

  /** Blocks of the plant so far. */
  get blocks(): number {
    return Math.floor(this.stopping.now / BLOCK);
  }

  /**
   * Begins the noise and the counters of the next take.
   *
   * @param isProof - Whether a hand presses the emergency stop in it.
   */
  beginTake(isProof: boolean): void {
    const { station, serial, attempt } = this.item;
    this.takes += 1;
    this.takeName = [station.id, serial, attempt, this.takes].join('/');
    this.plant.beginTake(this.takeName);
    this.watchStop(isProof);
  }

  /** Begins to count samples to a safety line that opens, without touching what plays. */
  watchStop(isProof: boolean): void {
    const after = isProof ? Math.round(pressInstant(this.takeName) * SAMPLE_RATE) : undefined;
    this.stopping.beginTake(after);
  }

  /** Makes ready for set points that come one by one. */
  stream(updates: Quantity<'Hz'>): StreamedUpdates {
    const { link, item } = this.parameters;
    const noise = new Noise(`${this.takeName}/stream`);
    return new StreamedUpdates(updates, { link, timeout: item.commandTimeout, noise });
  }
}
