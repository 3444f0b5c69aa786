import { EXIT } from '../base/codes.js';
import { readInstant } from '../base/clock.js';
import { openLedger } from '../ledger/sqlite.js';
import {
  liftQuarantine,
  quarantineLine,
  quarantines,
  setQuarantine,
  type Held,
} from '../readiness/quarantine.js';
import { ledgerFile } from '../run/places.js';
import { entering, knownModels, now, refusal, type ItemOptions } from './item.js';
import type { Terminal } from './terminal.js';
import type { ActorOptions } from './who.js';

/** Options of `item quarantine`; exactly one of the first four says which items. */
export interface QuarantineOptions extends ItemOptions, ActorOptions {
  readonly serials?: string;
  readonly lot?: string;
  readonly component?: string;
  readonly testedAt?: string;
  readonly model?: string;
  readonly from?: string;
  readonly to?: string;
  readonly why: string;
  readonly contact?: string;
}

/** Enters a quarantine. */
export async function itemQuarantine(options: QuarantineOptions, to: Terminal): Promise<number> {
  const held = heldOf(options);
  const models = knownModels();
  return entering(options, to, (ledger, actor) => {
    const order = { held, why: options.why, actor, contact: options.contact ?? actor.by };
    return setQuarantine(ledger, order, models, now());
  });
}

/** Enters that a quarantine is lifted. */
export function itemLift(
  number: string,
  options: ItemOptions & ActorOptions & { readonly why: string },
  to: Terminal,
): Promise<number> {
  const { why } = options;
  return entering(options, to, (ledger, actor) =>
    liftQuarantine(ledger, { number: Number(number), why, actor }, now()),
  );
}

/** Lists the quarantines in force. */
export function itemQuarantines(options: ItemOptions, to: Terminal): number {
  const ledger = openLedger(ledgerFile(options.data), { readOnly: true });
  try {
    const live = quarantines(ledger.of(''));
    if (options.json === true) to.out(JSON.stringify(live, null, 2));
    else if (live.length === 0) to.out('No quarantine is in force.');
    else for (const one of live) to.out(quarantineLine(one));
    return EXIT.conforming;
  } finally {
    ledger.close();
  }
}

function heldOf(options: QuarantineOptions): Held {
  const { serials, lot, component, testedAt, model = '' } = options;
  const given = [serials, lot, component, testedAt].filter((one) => one !== undefined);
  if (given.length !== 1) {
    throw refusal(
      `${String(given.length)} of --serials, --lot, --component and --tested-at say which items.`,
      'Give exactly one of them.',
    );
  }
  if (serials !== undefined) {
    const [from = '', to = from] = serials.split('..');
    return { kind: 'serials', from, to };
  }
  if (lot !== undefined) return { kind: 'lot', lot, model };
  if (component !== undefined) {
    const [name = '', serial = ''] = component.split('=');
    if (name === '' || serial === '') {
      throw refusal(`"${component}" is no component with its serial.`, 'Write motor=M-0815.');
    }
    return { kind: 'component', component: name, serial, model };
  }
  const [from, to] = [readInstant(options.from ?? ''), readInstant(options.to ?? '')];
  return { kind: 'bench', bench: testedAt ?? '', from, to };
}
