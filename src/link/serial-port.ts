import type { SerialPort } from 'serialport';
import { systemClock, type Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { OPEN_DEADLINE, type Port } from './port.js';
import { StreamPort } from './stream-port.js';

/** Bits on the line for one byte: start, 8 of data, no parity, one stop. */
const BITS = 10;
/** s of the line that are handed over in one go. */
const PIECE_SECONDS = 0.1;
/** ms that the device gets to be let go. */
const CLOSE_DEADLINE = 500;
/** How often, and with how many ms between, a device that is in use is called. */
const BUSY_TRIES = 15;
const BUSY_WAIT = 20;
const IN_USE = 'is in use by another program';

/**
 * Opens a serial device: 8 data bits, no parity, one stop bit, no flow control, for this program
 * alone. The other end is not told when this program goes. A device that is unplugged while nothing
 * is said may be noticed only when something is written to it.
 *
 * @param baud - bit/s, told to the device as it is.
 * @throws link/unreachable
 */
export async function openSerialPort(
  path: string,
  baud: number,
  clock: Clock = systemClock,
): Promise<Port> {
  const device = await openedAtLast(path, baud, clock);
  return new StreamPort(
    {
      ...{ name: `serial ${path}`, tellsEnd: false, input: device, output: device },
      piece: Math.max(1, Math.floor((baud / BITS) * PIECE_SECONDS)),
      release: async () => {
        await Promise.race([closed(device), clock.wait(CLOSE_DEADLINE)]);
      },
    },
    clock,
  );
}

/** A device that was let go a moment ago may be locked a moment longer. */
async function openedAtLast(path: string, baud: number, clock: Clock): Promise<SerialPort> {
  for (let tries = 1; ; tries += 1) {
    try {
      return await opened(path, baud, clock);
    } catch (error) {
      const isBusy = error instanceof StallmarkError && error.problems[0].what.includes(IN_USE);
      if (!isBusy || tries >= BUSY_TRIES) throw error;
      await clock.wait(BUSY_WAIT);
    }
  }
}

async function opened(path: string, baud: number, clock: Clock): Promise<SerialPort> {
  const device = await made(path, baud);
  let isLate = false;
  const opening = new Promise<void>((resolve, reject) => {
    device.open((error) => {
      if (error === null) {
        if (isLate) void closed(device);
        resolve();
      } else reject(refusal(path, baud, error));
    });
  });
  const late = clock.wait(OPEN_DEADLINE).then(() => {
    isLate = true;
    const what = `${path} did not open within ${OPEN_DEADLINE} ms.`;
    throw unreachable(what, 'Unplug the device, plug it in again, and try once more.');
  });
  late.catch(() => undefined); // heard only while the device opens
  await Promise.race([opening, late]);
  return device;
}

/** The library is loaded here, so that benches without serial devices do without it. */
async function made(path: string, baud: number): Promise<SerialPort> {
  let library: typeof import('serialport');
  try {
    library = await import('serialport');
  } catch (cause) {
    const what = `${path} cannot be opened: the library for serial devices does not load here.`;
    const fix = 'Run npm install on this computer.';
    throw new StallmarkError([{ code: 'link/unreachable', what, fix }], { cause });
  }
  const line = { dataBits: 8, parity: 'none', stopBits: 1, lock: true } as const;
  return new library.SerialPort({ path, baudRate: baud, ...line, autoOpen: false });
}

/** Waits until the device is free for others, also when somebody else began to close it. */
function closed(device: SerialPort): Promise<void> {
  if (!device.isOpen && !device.closing) return Promise.resolve();
  return new Promise((resolve) => {
    device.once('close', () => {
      resolve();
    });
    if (!device.closing) {
      device.close(() => {
        resolve();
      });
    }
  });
}

/** The library tells reasons as words of the system, without a number. */
function refusal(path: string, baud: number, error: Error): StallmarkError {
  const says = (words: RegExp): boolean => words.test(error.message);
  if (says(/no such file|no such device|not found/iu)) {
    return unreachable(`There is no device ${path}.`, 'Plug it in, and check the path.');
  }
  if (says(/permission|access denied/iu)) {
    const fix =
      'Add the account to the group that owns the device (often dialout), then log in anew.';
    return unreachable(`This account may not open ${path}.`, fix);
  }
  if (says(/lock|busy|temporarily unavailable/iu)) {
    return unreachable(`${path} ${IN_USE}.`, 'Close the other program.');
  }
  if (says(/inappropriate ioctl|not a tty/iu)) {
    return unreachable(`${path} is no serial device.`, 'Check the path.');
  }
  const what = `${path} cannot be opened at ${baud} bit/s: ${error.message}.`;
  return unreachable(what, 'Check the path and the baud rate.');
}

function unreachable(what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code: 'link/unreachable', what, fix }]);
}
