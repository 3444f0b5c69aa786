import { sha256 } from '../base/canonical.js';
import { celsius, hertz, newtonMetre, second, volt } from '../base/units.js';
import {
  CHANNELS,
  COMPONENT_KINDS,
  type Component,
  type Environment,
  type Identity,
  type Ratings,
} from './bench.js';
import { Noise } from './noise.js';
import { SAMPLE_RATE } from './plant.js';
import type { ItemParameters, SimulatedStation, StandParameters } from './spread.js';

/** s without a feed after which the device has dropped its torque. */
export const DEAD_MAN = 0.1;
/** Current loop rate: the item can take no more updates than it has periods. */
export const MOST_UPDATES = SAMPLE_RATE;
/** Version that every simulated item reports. */
const FIRMWARE = '2.4.1';

/** Hardware revision that every simulated item reports. */
const REVISION = 'C3';

/** What the device in the nest says of itself. */
export function identityOf(item: ItemParameters): Identity {
  const { model, serial, build } = item;
  return {
    model,
    serial,
    firmware: FIRMWARE,
    firmwareDigest: sha256(`simulated ${model} firmware ${FIRMWARE}, ${build}`),
    revision: REVISION,
    components: COMPONENT_KINDS.map((kind) => componentOf(serial, kind)),
    parametersDigest: sha256(parametersOf(item)),
  };
}

/** A serial of its own stream, so that it moves no other random number. */
function componentOf(item: string, kind: Component['kind']): Component {
  const drawn = new Noise(`item/${item}/serial of ${kind}`).uniform();
  const letter = kind.slice(0, 1).toUpperCase();
  return {
    kind,
    serial: `${letter}-${Math.floor(1e8 * drawn)
      .toString()
      .padStart(8, '0')}`,
  };
}

/** What was trimmed or set at the factory, as text: a parameter may be infinite. */
function parametersOf({ model, assumedConstant, ...item }: ItemParameters): string {
  const { smoothing, slew, commandTimeout } = item;
  return [`simulated ${model}`, assumedConstant, ...smoothing, slew, commandTimeout].join(' ');
}

/**
 * What the simulated bench of a station can do.
 *
 * @param fitted - ± N·m of the transducer where it is another than the description says.
 */
export function ratingsOf(station: SimulatedStation, fitted?: number): Ratings {
  const hears = station.soundRange !== undefined;
  return {
    torqueRange: fitted === undefined ? station.torqueRange : newtonMetre(fitted),
    currentRange: station.currentRange,
    sampleRate: station.sampleRate,
    maximumUpdates: hertz(MOST_UPDATES),
    deadMan: second(DEAD_MAN),
    fixtures: [
      ...(['coupled', 'uncoupled', 'shunt', 'timing'] as const),
      ...(station.shuntPolarity === 'both' ? (['shunt-negative'] as const) : []),
    ],
    channels: CHANNELS.filter((channel) => channel !== 'sound' || hears),
    indexing: 'bench',
    closedLoop: true,
    // The channels share one clock; what is left is how well their delays are known.
    timing: { method: 'command', uncertainty: second(station.stand.uncertainty.currentDelay) },
  };
}

/** What the surroundings of a simulated bench depend on. */
export interface Moment {
  /** V of the bus. */
  readonly supply: number;
  /** s since the attempt began. */
  readonly time: number;
  /** Whether the item was energized yet. */
  readonly wasEnergized: boolean;
}

/** What the bench says of its surroundings. */
export function environmentOf(stand: StandParameters, at: Moment): Environment {
  const felt = stand.ambient - (at.wasEnergized ? stand.draught : 0);
  const { poweredFor, adapter } = stand;
  return {
    ambient: celsius(stand.thermometer ?? felt),
    humidity: Math.min(1, stand.humidity + (at.wasEnergized ? stand.damp : 0)),
    supply: volt(at.supply),
    ...(poweredFor === undefined ? {} : { poweredFor: poweredFor + at.time }),
    ...(adapter === undefined ? {} : { adapter }),
  };
}
