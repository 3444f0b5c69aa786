import type { Readable, Writable } from 'node:stream';
import { type Clock, systemClock } from '../base/clock.js';
import { DevicePort } from './device-port.js';

/**
 * Makes a port of standard input and output. The end of the input is told at once, also while output
 * waits. Nothing else of the program may write to standard output then.
 */
export function stdioPort(
  input: Readable = process.stdin,
  output: Writable = process.stdout,
  clock: Clock = systemClock,
): DevicePort {
  const name = 'standard input and output';
  const release = (): void => {
    input.destroy();
  };
  return new DevicePort({ name, input, output, release }, clock);
}
