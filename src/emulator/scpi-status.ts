import { fault, type ScpiFault, written } from './scpi-fault.js';

/** Errors that wait to be read; the last of a full queue gives way to −350. */
export const MOST_ERRORS = 20;

const OPERATION_COMPLETE = 1;
const POWER_ON = 128;
/** Bits of the status byte: errors wait, an event that is wanted, and whatever asks for service. */
const ERRORS = 4;
const EVENT = 32;
const SERVICE = 64;

/**
 * The status of an instrument: its errors, its events since they were read, and what of them is wanted.
 *
 * Source: IEEE 488.2-1992, clause 11, and SCPI-1999 volume 2, chapter 21, from memory.
 * Check: tests/checks/scpi-instrument.check.ts.
 */
export class ScpiStatus {
  private errors: ScpiFault[] = [];
  private events = POWER_ON;
  /** Masks that `*ESE` and `*SRE` set. */
  wantedEvents = 0;
  wantedService = 0;

  tell(what: ScpiFault): void {
    this.events |= eventOf(what);
    if (this.errors.length < MOST_ERRORS) this.errors.push(what);
    else this.errors[MOST_ERRORS - 1] = fault('-350');
  }

  completed(): void {
    this.events |= OPERATION_COMPLETE;
  }

  /** Takes the oldest error out, as SYST:ERR? tells it. */
  nextError(): string {
    const oldest = this.errors.shift();
    return oldest === undefined ? '0,"No error"' : written(oldest);
  }

  get errorCount(): number {
    return this.errors.length;
  }

  /** Takes the events out. */
  takeEvents(): number {
    const { events } = this;
    this.events = 0;
    return events;
  }

  get byte(): number {
    const errors = this.errors.length > 0 ? ERRORS : 0;
    const event = (this.events & this.wantedEvents) === 0 ? 0 : EVENT;
    const service = ((errors | event) & this.wantedService) === 0 ? 0 : SERVICE;
    return errors | event | service;
  }

  clear(): void {
    this.errors = [];
    this.events = 0;
  }
}

/** Bit of the event status register by the hundred of an error: query 2, device 3, execution 4, command 5. */
function eventOf({ number }: ScpiFault): number {
  const hundred = number.charAt(1);
  if (hundred === '1') return 32;
  if (hundred === '2') return 16;
  return hundred === '3' ? 8 : 4;
}
