import type { Interlocks } from './bench.js';
import type { Incident } from './spread.js';

/** Safety lines as they are when nothing is wrong. */
export const SAFE_LINES: Interlocks = {
  guard: 'closed',
  emergencyStop: 'released',
  presence: 'held',
  age: 0.002,
};

/** Safety lines as they are after an incident at one of them. */
export const LINES_AFTER = {
  'guard-opened': { guard: 'open' },
  'stop-pressed': { emergencyStop: 'pressed' },
  'presence-lost': { presence: 'released' },
} as const satisfies Partial<Record<Incident['what'], Partial<Interlocks>>>;

/** Incidents of one run that wait for their moment. Each happens once. */
export class Incidents {
  private ahead: readonly Incident[];

  constructor(incidents: readonly Incident[]) {
    this.ahead = incidents;
  }

  /** Returns what happens while the shaft carries this torque, N·m of either sign. */
  due(torque: number): readonly Incident['what'][] {
    const isDue = (incident: Incident): boolean => Math.abs(torque) >= incident.torque;
    const now = this.ahead.filter(isDue);
    if (now.length > 0) this.ahead = this.ahead.filter((incident) => !isDue(incident));
    return now.map(({ what }) => what);
  }
}
