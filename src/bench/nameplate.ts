import { sha256 } from '../base/canonical.js';
import { celsius, hertz, second, volt } from '../base/units.js';
import { CHANNELS, type Environment, type Identity, type Ratings } from './bench.js';
import { SAMPLE_RATE } from './plant.js';
import type { ItemParameters, SimulatedStation, StandParameters } from './spread.js';

/** s without a feed after which the device has dropped its torque. */
export const DEAD_MAN = 0.1;
/** Current loop rate: the item can take no more updates than it has periods. */
export const MOST_UPDATES = SAMPLE_RATE;
/** Version that every simulated item reports. */
const FIRMWARE = '2.4.1';

/** What the device in the nest says of itself. */
export function identityOf({ model, serial, build }: ItemParameters): Identity {
  return {
    model,
    serial,
    firmware: FIRMWARE,
    firmwareDigest: sha256(`simulated ${model} firmware ${FIRMWARE}, ${build}`),
  };
}

/** What the simulated bench of a station can do. */
export function ratingsOf(station: SimulatedStation): Ratings {
  const hears = station.soundRange !== undefined;
  return {
    torqueRange: station.torqueRange,
    currentRange: station.currentRange,
    sampleRate: station.sampleRate,
    maximumUpdates: hertz(MOST_UPDATES),
    deadMan: second(DEAD_MAN),
    fixtures: ['coupled', 'uncoupled', 'shunt', 'timing'],
    channels: CHANNELS.filter((channel) => channel !== 'sound' || hears),
    indexing: 'bench',
    closedLoop: true,
  };
}

/** @param supply - V of the bus now. */
export function environmentOf(stand: StandParameters, supply: number): Environment {
  return { ambient: celsius(stand.ambient), humidity: stand.humidity, supply: volt(supply) };
}
