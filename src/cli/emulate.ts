import { existsSync, readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { systemClock } from '../base/clock.js';
import { EXIT } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import { readFaults } from '../bench/fault.js';
import { readNastiness } from '../emulator/nastiness.js';
import { readStation } from '../procedure/schema.js';
import type { Station } from '../procedure/station.js';
import { decodeText } from '../procedure/yaml.js';
import type { Terminal } from './terminal.js';

/** Options of `emulate`, as the argument parser hands them over. */
export interface EmulateCommandOptions {
  readonly item: string;
  readonly attempt: string;
  readonly fault: readonly string[];
  readonly pace: 'real' | 'patient';
  /** LINK=PLACE */
  readonly at: readonly string[];
  readonly stdio?: string;
  readonly control?: string;
  readonly journal?: string;
  /** LINK:SPEC */
  readonly nasty: readonly string[];
  readonly seed: string;
}

/**
 * Serves the far side of every link of a bench over one simulated item, until it is interrupted or its
 * standard input ends where a link is on it; torque goes off first. When ready it says so in one line of
 * JSON, on standard output, or on standard error where a link is on standard output.
 *
 * Never returns: it exits with 0 once everything has ended.
 *
 * @throws usage/argument, link/unreachable, storage/unreadable.
 */
export async function emulateBench(
  file: string,
  options: EmulateCommandOptions,
  to: Terminal,
): Promise<never> {
  const { stdio, control, journal } = options;
  const station = stationIn(file);
  const { links } = station;
  if (links === undefined) {
    const what = `The bench "${station.id}" in ${file} has no links to be emulated.`;
    throw refused(what, 'Name a bench description of kind emulated or real, with links.');
  }
  const interrupted = interruption();
  const { emulate } = await import('../emulator/emulate.js');
  const emulation = await emulate({
    ...{ station: { ...station, links }, serial: options.item, clock: systemClock },
    ...{ attempt: whole('attempt', options.attempt), seed: whole('seed', options.seed) },
    ...{ faults: readFaults(options.fault), pace: options.pace },
    at: new Map(options.at.map((text) => pair(text, '=', '--at LINK=PLACE'))),
    nasty: new Map(
      options.nasty.map((text) => {
        const [link, spec] = pair(text, ':', '--nasty LINK:SPEC');
        return [link, readNastiness(spec)];
      }),
    ),
    ...(stdio === undefined ? {} : { stdio }),
    ...(control === undefined ? {} : { control }),
    ...(journal === undefined ? {} : { journal }),
  });
  const ready = JSON.stringify({ ready: true, pid: process.pid, links: emulation.links });
  if (stdio === undefined) to.out(ready);
  else to.err(ready);
  await emulation.close(await Promise.race([emulation.ended, interrupted]));
  process.exit(EXIT.conforming); // also when nobody takes what waits on standard output
}

/** Waits for a signal that ends the program; from now on none ends it by itself. */
function interruption(): Promise<string> {
  return new Promise((resolve) => {
    for (const signal of ['SIGINT', 'SIGTERM'] as const) {
      process.on(signal, () => {
        resolve(signal);
      });
    }
  });
}

function stationIn(file: string): Station {
  try {
    const text = decodeText(readFileSync(file), file);
    return readStation(text, file, (name) => readBeside(file, name));
  } catch (cause) {
    if (cause instanceof StallmarkError || !isOfSystem(cause)) throw cause;
    const what = `"${file}" cannot be read: ${cause.message}.`;
    const fix = 'Check the name and the rights of the file.';
    throw new StallmarkError([{ code: 'storage/unreadable', what, fix }], { cause });
  }
}

function readBeside(file: string, name: string): Uint8Array | undefined {
  const path = join(dirname(file), name);
  return existsSync(path) ? readFileSync(path) : undefined;
}

const isOfSystem = (error: unknown): error is NodeJS.ErrnoException =>
  error instanceof Error && 'syscall' in error;

function pair(text: string, sign: string, form: string): readonly [string, string] {
  const at = text.indexOf(sign);
  if (at > 0) return [text.slice(0, at), text.slice(at + 1)];
  throw refused(`"${text}" names no link.`, `Give ${form}.`);
}

function whole(name: string, text: string): number {
  const value = Number(text);
  if (/^\d{1,9}$/u.test(text) && Number.isSafeInteger(value)) return value;
  throw refused(`--${name} is "${text}", but must be a whole number.`, `Give --${name} 1.`);
}

function refused(what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code: 'usage/argument', what, fix }]);
}
