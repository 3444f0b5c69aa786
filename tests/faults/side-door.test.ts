import { afterAll, describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { celsius, newtonMetre, second, volt } from '../../src/base/units.js';
import type { Bench, Environment, Identity, Interlocks } from '../../src/bench/bench.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import type { NewEntry } from '../../src/ledger/ledger.js';
import { openLedger, type LedgerFile } from '../../src/ledger/sqlite.js';
import type { Session } from '../../src/people/people.js';
import { fitted } from '../../src/procedure/fitting.js';
import type { Procedure } from '../../src/procedure/procedure.js';
import type { Station } from '../../src/procedure/station.js';
import { openClaim } from '../../src/readiness/claim.js';
import { enterIntermediate } from '../../src/readiness/intermediate-check.js';
import { setQuarantine } from '../../src/readiness/quarantine.js';
import { referenceBody } from '../../src/readiness/reference-entry.js';
import { stopProofBody } from '../../src/readiness/stop-proof.js';
import { attemptItem } from '../../src/run/attempt.js';
import type { Order, Parts } from '../../src/run/brief.js';
import { prepare, prepareStand } from '../../src/run/documents.js';
import { openScorer } from '../../src/run/open-scorer.js';
import { ledgerFile } from '../../src/run/places.js';
import { prepareReference } from '../../src/run/reference-documents.js';
import { checkReference } from '../../src/run/reference.js';
import { measureStand } from '../../src/run/stand.js';
import { prepareStop, proveStop } from '../../src/run/stop-proof.js';
import { handClock, type HandClock } from '../support/clock.js';
import { SELF_TESTED } from '../support/empty-ledger.js';
import { temporaryFolder } from '../support/folder.js';
import { attempt } from '../support/history.js';
import { answering } from '../support/answering.js';

// Every reason against a start, by every way that leads to power: the same refusal, told in the ledger,
// nothing energized, nothing begun, the item free.

const SERIAL = 'H12-26-00017';
const REFERENCE = 'REF-H12-A';

/** Everything a case may spoil. */
interface Scene {
  procedure: Procedure;
  station: Station;
  bench: Bench;
  parts: Parts;
  order: Partial<Order>;
  readonly clock: HandClock;
}

type Way = 'attempt' | 'stand' | 'reference' | 'stop';

const DOCUMENTS = {
  attempt: prepare({ serial: SERIAL }),
  stand: prepareStand({ serial: SERIAL }),
  reference: prepareReference({ serial: REFERENCE, now: Date.parse('2026-11-28T14:00:00Z') }),
  stop: prepareStop({ serial: SERIAL }),
} as const;

const WAYS: readonly Way[] = ['attempt', 'stand', 'reference', 'stop'];

interface Case {
  readonly name: string;
  readonly code: string;
  /** A part of the sentence that names the check. */
  readonly says: RegExp;
  readonly spoil: (scene: Scene) => void;
  /** Ways that the check does not concern; all of them when left out. */
  readonly ways?: readonly Way[];
}

const notReady = 'readiness/not-ready';

/** Exchanges one answer of the bench. */
function exchange(scene: Scene, over: Partial<Bench>): void {
  scene.bench = answering(scene.bench, over);
}

const lines = (over: Partial<Interlocks>) => (scene: Scene) => {
  const { bench } = scene;
  exchange(scene, { interlocks: async () => ({ ...(await bench.interlocks()), ...over }) });
};

const surroundings = (over: Partial<Environment>) => (scene: Scene) => {
  const { bench } = scene;
  exchange(scene, { environment: async () => ({ ...(await bench.environment()), ...over }) });
};

const rated = (over: Partial<Bench['ratings']>) => (scene: Scene) => {
  exchange(scene, { ratings: { ...scene.bench.ratings, ...over } });
};

/** The calibration in force of the first instrument, changed. */
const calibrated = (over: object) => (scene: Scene) => {
  const [first, ...others] = scene.station.register;
  const [last, ...earlier] = first.calibrations.toReversed();
  const calibrations = [...earlier.toReversed(), { ...last, ...over }];
  const register = [{ ...first, calibrations }, ...others] as unknown as Station['register'];
  scene.station = { ...scene.station, register };
};

function enter(scene: Scene, ...entries: readonly NewEntry[]): void {
  for (const entry of entries) scene.parts.ledger.append(entry, scene.parts.clock.now());
}

const benchEntry = (serial: string, body: NewEntry['body']): NewEntry => ({
  ...{ kind: 'bench-checked', serial, attempt: 0, by: 'op 17', body },
});

const identified = (over: Partial<Identity>) => (scene: Scene) => {
  const { bench } = scene;
  exchange(scene, { identify: async () => ({ ...(await bench.identify()), ...over }) });
};

/** A quarantine of one motor, as a quality engineer sets it. */
function quarantined({ parts, procedure, clock }: Scene): void {
  const { code: model } = procedure.model;
  const held = { kind: 'component', component: 'motor', serial: 'M-0815', model } as const;
  const actor = { by: 'R. Dunmallard', roles: ['quality engineer'] } as const;
  const order = { held, why: 'Glue lets go.', contact: 'R. Dunmallard', actor };
  setQuarantine(parts.ledger, order, [procedure.model], clock.now());
}

const session = (over: Partial<Session>): Session => ({
  ...{ id: 'OP-17', name: 'Operator 17', at: 0, means: 'authenticated', zone: 'UTC' },
  roles: ['operator', 'maintenance', 'quality engineer'],
  training: [],
  ...over,
});

/** Training on every procedure that ended the day before. */
const expired = Object.values(DOCUMENTS).map(({ procedure }) => ({
  ...{ procedure: procedure.id, issue: procedure.issue, toIssue: procedure.issue },
  ...{ on: '2025-11-24', until: '2026-11-24' },
}));

const CASES: readonly Case[] = [
  {
    name: 'a calibration that is overdue',
    code: 'equipment/overdue',
    says: /calibration of .* overdue/u,
    spoil: calibrated({ due: '2026-11-20' }),
  },
  {
    name: 'a calibration without a due date',
    code: 'equipment/overdue',
    says: /calibration of .* overdue/u,
    spoil: calibrated({ due: undefined }),
  },
  {
    name: 'a stand model from the future',
    code: notReady,
    says: /stand model failed/u,
    spoil: (scene) => {
      const stand = { ...scene.station.stand, characterized: '2031-01-01T00:00:00Z' };
      scene.station = { ...scene.station, stand };
    },
  },
  { name: 'an open guard', code: notReady, says: /guard open/u, spoil: lines({ guard: 'open' }) },
  {
    name: 'contradictory guard lines',
    code: notReady,
    says: /guard contradictory/u,
    spoil: lines({ guard: 'contradictory' }),
  },
  {
    name: 'a pressed stop',
    code: notReady,
    says: /emergency stop pressed/u,
    spoil: lines({ emergencyStop: 'pressed' }),
  },
  { name: 'stale lines', code: notReady, says: /5\.00 s old/u, spoil: lines({ age: 5 }) },
  {
    name: 'lines of no known age',
    code: notReady,
    says: /interlocks failed/u,
    spoil: lines({ age: NaN }),
  },
  {
    name: 'a hall that is too warm',
    code: notReady,
    says: /ambient temperature failed: 31\.0 °C/u,
    spoil: surroundings({ ambient: celsius(31) }),
  },
  {
    name: 'a thermometer that says what cannot be',
    code: notReady,
    says: /thermometer of the bench failed/u,
    spoil: surroundings({ ambient: celsius(99) }),
  },
  {
    name: 'a hygrometer that says what cannot be',
    code: notReady,
    says: /hygrometer of the bench failed/u,
    spoil: surroundings({ humidity: 1.3 }),
  },
  {
    name: 'a hall that is too damp',
    code: notReady,
    says: /humidity failed: 78\.0 %, allowed 20 … 70 %/u,
    spoil: (scene) => {
      scene.procedure = { ...scene.procedure, humidity: { from: 0.2, to: 0.7 } };
      surroundings({ humidity: 0.78 })(scene);
    },
  },
  {
    name: 'a bench without the way round of the shunt that its description names',
    code: notReady,
    says: /abilities of the bench failed: .*needs the stand shunt-negative/u,
    spoil: (scene) => {
      const [first, ...others] = scene.procedure.stages;
      const shunted = { ...first, takes: [{ ...first.takes[0], fixture: 'shunt' }] } as const;
      const procedure = { ...scene.procedure, stages: [shunted, ...others] } as const;
      scene.procedure = fitted(procedure, { shuntPolarity: 'both' });
    },
  },
  {
    name: 'a weak supply',
    code: notReady,
    says: /supply failed: 44\.0 V/u,
    spoil: surroundings({ supply: volt(44) }),
  },
  {
    name: 'a cold amplifier',
    code: notReady,
    says: /warm-up of .* failed/u,
    spoil: surroundings({ poweredFor: 60 }),
  },
  {
    name: 'an amplifier of which nobody knows how long it has had power',
    code: notReady,
    says: /warm-up of .* not run/u,
    spoil: (scene) => {
      const { bench } = scene;
      exchange(scene, {
        environment: async () => {
          const { ambient, humidity, supply } = await bench.environment();
          return { ambient, humidity, supply };
        },
      });
    },
  },
  {
    name: 'a transducer that the ceiling would break',
    code: notReady,
    says: /transducer range failed/u,
    spoil: (scene) => {
      rated({ torqueRange: newtonMetre(scene.procedure.ceiling) })(scene);
    },
  },
  {
    name: 'a bench without its fixtures',
    code: notReady,
    says: /abilities of the bench failed/u,
    spoil: rated({ fixtures: [] }),
  },
  {
    name: 'an adapter of another bench in the nest',
    code: notReady,
    says: /adapter failed: .*AD-31.* does not belong to TW-1/u,
    spoil: surroundings({ adapter: { id: 'AD-31', kind: 'h31-shaft', serial: 'HA-3107' } }),
  },
  {
    name: 'an adapter with the number of one of the bench and another serial',
    code: notReady,
    says: /adapter failed: .*serial HA-1, but AD-12 of TW-1 is .*HA-1204/u,
    spoil: surroundings({ adapter: { id: 'AD-12', kind: 'h12-shaft', serial: 'HA-1' } }),
  },
  {
    name: 'an adapter of another kind than the procedure asks for',
    code: notReady,
    says: /adapter failed: .*asks for one of kind h12-wheel/u,
    spoil: (scene) => {
      scene.procedure = { ...scene.procedure, adapter: 'h12-wheel' };
    },
  },
  {
    name: 'no adapter in the nest',
    code: notReady,
    says: /adapter not run: the nest reads none/u,
    spoil: (scene) => {
      const { bench } = scene;
      exchange(scene, {
        environment: async () => {
          const { ambient, humidity, supply, poweredFor = 0 } = await bench.environment();
          return { ambient, humidity, supply, poweredFor };
        },
      });
    },
  },
  {
    name: 'an instrument whose intermediate check is overdue, where the bench requires it',
    code: notReady,
    says: /intermediate check of .* TT-204 overdue/u,
    ways: ['attempt', 'stand'],
    spoil: (scene) => {
      const checks = { ...scene.station.checks, intermediate: { required: true } };
      scene.station = { ...scene.station, checks };
    },
  },
  {
    name: 'an instrument that a person found to be off',
    code: notReady,
    says: /intermediate check of .* TT-204 failed: .*reads 3 % low/u,
    ways: ['attempt', 'stand'],
    spoil: (scene) => {
      const actor = { by: 'M. Fitter', roles: ['maintenance'] } as const;
      const order = { station: scene.station, instrument: 'TT-204', ok: false, actor };
      enterIntermediate(scene.parts.ledger, { ...order, why: 'reads 3 % low' }, scene.clock.now());
    },
  },
  {
    name: 'a disk that is too small',
    code: notReady,
    says: /storage failed/u,
    spoil: (scene) => {
      const [first, ...others] = scene.procedure.stages;
      const pattern = { kind: 'hold', level: newtonMetre(0), duration: second(1e10) } as const;
      scene.procedure = { ...scene.procedure, stages: [{ ...first, pattern }, ...others] };
    },
  },
  {
    name: 'a seal that is no longer valid',
    code: notReady,
    says: /seal overdue/u,
    spoil: (scene) => {
      const seal = { ...scene.parts.seal, until: scene.parts.clock.now() - 1 };
      scene.parts = { ...scene.parts, seal };
    },
  },
  {
    name: 'a self-test with a wrong answer',
    code: notReady,
    says: /self-test failed/u,
    spoil: (scene) => {
      scene.parts = { ...scene.parts, selfTest: { ...SELF_TESTED, state: 'failed' } };
    },
  },
  {
    name: 'a stop that was too slow when it was last proven',
    code: notReady,
    says: /stop proof failed/u,
    ways: ['attempt', 'stand', 'reference'],
    spoil: (scene) => {
      const found = {
        ...{ bench: 'TW-1', simulated: true, item: SERIAL, level: 1.2 },
        ...{ time: 0.4, atLeast: false, limit: 0.25, ok: false },
      };
      enter(scene, benchEntry('', stopProofBody(found, {})));
    },
  },
  {
    name: 'a reference item that was found to be off',
    code: notReady,
    says: /reference item REF-H12-A failed/u,
    ways: ['attempt'],
    spoil: (scene) => {
      const found = {
        ...{ bench: 'TW-1', simulated: true, item: REFERENCE, cycle: 1 },
        kind: 'good',
        ...{ assigned: '2026-11-01', ok: false, reason: 'The gain is off.' },
        ...{ values: [], named: [], suspects: [] },
      } as const;
      enter(scene, benchEntry(REFERENCE, referenceBody(found, {})));
    },
  },
  {
    name: 'three invalid measurements in a row',
    code: notReady,
    says: /invalid measurements failed/u,
    ways: ['attempt'],
    spoil: (scene) => {
      for (const n of [1, 2, 3]) enter(scene, ...attempt(`H12-26-0010${n}`, 1, 'invalid'));
    },
  },
  {
    name: 'a retest that comes too soon',
    code: 'serial/cool-down',
    says: /10 min must lie between two attempts/u,
    ways: ['attempt'],
    spoil: (scene) => {
      enter(scene, ...attempt(SERIAL, 1, 'invalid'));
      scene.procedure = { ...scene.procedure, retest: { coolDown: second(600), bench: 'any' } };
    },
  },
  {
    name: 'a retest at the bench of the last attempt, where another is asked for',
    code: 'serial/retest-bench',
    says: /was at TW-1 and this is TW-1/u,
    ways: ['attempt'],
    spoil: (scene) => {
      enter(scene, ...attempt(SERIAL, 1, 'invalid'));
      scene.procedure = { ...scene.procedure, retest: { coolDown: second(0), bench: 'other' } };
    },
  },
  {
    name: 'a retest at another bench, where the same is asked for',
    code: 'serial/retest-bench',
    says: /was at TW-2 and this is TW-1/u,
    ways: ['attempt'],
    spoil: (scene) => {
      enter(scene, ...attempt(SERIAL, 1, 'invalid', { bench: 'TW-2' }));
      scene.procedure = { ...scene.procedure, retest: { coolDown: second(0), bench: 'same' } };
    },
  },
  {
    name: 'an accepted item that nobody took from stock for an audit',
    code: 'serial/attempts',
    says: /it is accepted/u,
    ways: ['attempt'],
    spoil: (scene) => {
      enter(scene, ...attempt(SERIAL, 1, 'accepted'));
    },
  },
  {
    name: 'another item in the nest',
    code: 'bench/wrong-item',
    says: /says H12 H12-26-09999/u,
    spoil: (scene) => {
      const { bench } = scene;
      exchange(scene, {
        identify: async () => ({ ...(await bench.identify()), serial: 'H12-26-09999' }),
      });
    },
  },
  {
    name: 'an item of another hardware revision than its procedure is for',
    code: 'bench/wrong-item',
    says: /says hardware revision D1, but the procedure of model H12 is for C3/u,
    spoil: identified({ revision: 'D1' }),
  },
  {
    name: 'a motor that is in quarantine',
    code: 'serial/quarantined',
    says: /in quarantine 1 of .*: its motor M-0815 is\. Glue lets go/u,
    spoil: (scene) => {
      quarantined(scene);
      identified({ components: [{ kind: 'motor', serial: 'M-0815' }] })(scene);
    },
  },
  {
    name: 'a motor in quarantine, and an item that does not tell which it has',
    code: 'serial/quarantined',
    says: /it does not tell its motor, and motor M-0815 is/u,
    spoil: (scene) => {
      quarantined(scene);
      const { bench } = scene;
      exchange(scene, {
        identify: async () => {
          const { model, serial, firmware, firmwareDigest } = await bench.identify();
          return { model, serial, firmware, firmwareDigest };
        },
      });
    },
  },
  {
    name: 'firmware that was not released',
    code: 'bench/wrong-item',
    says: /runs firmware 0\.0\.1/u,
    spoil: (scene) => {
      const { bench } = scene;
      exchange(scene, {
        identify: async () => ({ ...(await bench.identify()), firmware: '0.0.1' }),
      });
    },
  },
  {
    name: 'a name without a secret where there is a register',
    code: 'people/stated',
    says: /only a name/u,
    spoil: (scene) => {
      scene.parts = { ...scene.parts, register: { zone: 'UTC', people: [] } };
    },
  },
  {
    name: 'training that ended yesterday',
    code: 'people/training',
    says: /may view but not run/u,
    spoil: (scene) => {
      scene.order = { session: session({ training: expired }) };
    },
  },
  {
    name: 'an auditor',
    code: 'people/role',
    says: /but may not/u,
    spoil: (scene) => {
      scene.order = { session: session({ roles: ['auditor'] }) };
    },
  },
  {
    name: 'a session that nobody began at this bench',
    code: 'people/session',
    says: /is logged in at bench TW-1/u,
    spoil: (scene) => {
      scene.order = { session: session({}) };
    },
  },
  {
    name: 'a warning that nobody answers',
    code: 'bench/outstanding-warnings',
    says: /nobody/iu,
    spoil: (scene) => {
      const code = 'bench/outstanding-warnings';
      const problem = { code, what: 'Nobody answered.', fix: 'Read it.' } as const;
      scene.order = { acknowledge: () => Promise.reject(new StallmarkError([problem])) };
    },
  },
];

const open: LedgerFile[] = [];
afterAll(() => {
  for (const ledger of open) ledger.close();
});

interface Tried {
  readonly codes: readonly string[];
  readonly said: string;
  readonly energized: number;
  readonly ledger: LedgerFile;
  /** Entries that there were before the way was gone. */
  readonly before: number;
}

/** Goes one way to power with one thing spoiled. */
async function tried(way: Way, spoil: (scene: Scene) => void): Promise<Tried> {
  const clock = handClock();
  const documents = DOCUMENTS[way];
  const serial = way === 'reference' ? REFERENCE : SERIAL;
  const root = temporaryFolder();
  const ledger = openLedger(ledgerFile(root));
  open.push(ledger);
  const { station, procedure } = documents;
  const bench = simulatedBench({
    ...{ station, serial, attempt: 1, faults: [], clock, pace: 'fast' },
  });
  const parts: Parts = {
    ...{ bench: () => bench, ledger, root, clock, scorer: openScorer, selfTest: SELF_TESTED },
    seal: { purpose: 'simulation', until: clock.now() + 1e10 } as Parts['seal'],
  };
  const scene: Scene = { procedure, station, bench, parts, order: {}, clock };
  spoil(scene);
  let energized = 0;
  const before = ledger.last()?.number ?? 0;
  exchange(scene, {
    energize: () => {
      energized += 1;
      return Promise.reject(new Error('power was asked for'));
    },
  });
  const order = {
    ...{ serial, operator: 'op 17' },
    documents: { ...documents, procedure: scene.procedure, station: scene.station },
    acknowledge: (warning, task) =>
      Promise.resolve({
        ...{ hazard: warning.hazard, by: 'op 17', at: clock.now(), serial: task.serial },
        ...{ attempt: task.attempt, language: 'en', textIssue: warning.issue },
        means: 'command-line option, simulated bench',
      }),
    arrange: (instruction) => Promise.reject(new Error(`nobody answers: ${instruction}`)),
    stop: new AbortController().signal,
    press: () => undefined,
    ...scene.order,
  } as Order & { readonly press: () => void };
  const given = { ...scene.parts, bench: () => scene.bench };
  const error = await endOf(way, order, given);
  return {
    codes: error.problems.map(({ code }) => code),
    said: error.problems.map(({ what }) => what).join('\n'),
    energized,
    ledger,
    before,
  };
}

async function endOf(
  way: Way,
  order: Order & { readonly press: () => void },
  parts: Parts,
): Promise<StallmarkError> {
  const going = {
    attempt: () => attemptItem(order, parts),
    stand: () => measureStand(order, parts),
    reference: () =>
      checkReference(order as unknown as Parameters<typeof checkReference>[0], parts),
    stop: () => proveStop(order, parts),
  }[way]();
  try {
    for (;;) {
      const next = await going.next();
      if (next.done === true) throw new Error('it went through');
    }
  } catch (error) {
    if (error instanceof StallmarkError) return error;
    throw error;
  }
}

describe.each(CASES)('$name', ({ code, says, spoil, ways = WAYS }) => {
  test.each(ways)('%s: refused, told, nothing energized, nothing begun', async (way) => {
    const { codes, said, energized, ledger, before } = await tried(way, spoil);
    expect(codes).toContain(code);
    expect(said).toMatch(says);
    expect(energized).toBe(0);
    const entries = [...ledger.entries()];
    const serial = way === 'reference' ? REFERENCE : SERIAL;
    const own = entries.filter((entry) => entry.serial === serial && entry.number > before);
    expect(own.filter(({ kind }) => kind === 'attempt-begun')).toEqual([]);
    const told = own.filter(({ kind }) => kind === 'refused');
    expect(told).toHaveLength(1);
    expect(JSON.stringify(told[0]?.body)).toContain(code);
    expect(openClaim(own)).toBeUndefined();
  });
});

describe.each(WAYS)('a clock that was set back a day, %s', (way) => {
  test('is refused with the entry it contradicts; nothing energized, nothing begun', async () => {
    const day = 86_400_000;
    const { codes, said, energized, ledger } = await tried(way, ({ parts }) => {
      const note = { kind: 'note', serial: '', attempt: 0, by: 'op 17', body: {} } as const;
      parts.ledger.append(note, parts.clock.now() + day);
    });
    // The refusal itself cannot be entered under such a clock, and that is said too.
    expect(codes).toEqual([notReady, 'ledger/clock']);
    expect(said).toMatch(/clock failed: .* is earlier than ledger entry 1/u);
    expect(energized).toBe(0);
    expect([...ledger.entries()]).toHaveLength(1);
  });
});

test('what another item in the nest tells of its components is not said of the item scanned', async () => {
  const { codes, said } = await tried('attempt', (scene) => {
    quarantined(scene);
    const components = [{ kind: 'motor', serial: 'M-0815' }] as const;
    identified({ serial: 'H12-26-09999', components })(scene);
  });
  expect(codes).toEqual(['bench/wrong-item']);
  expect(said).not.toContain('quarantine');
});

test.each(WAYS)(
  '%s: with nothing spoiled power is asked for, so the others were refused',
  async (way) => {
    await expect(tried(way, () => undefined)).rejects.toThrow(/power was asked for/u);
  },
);

test('where the bench requires intermediate checks, good ones after bad ones let it go on', async () => {
  const going = tried('attempt', (scene) => {
    const checks = { ...scene.station.checks, intermediate: { required: true } };
    scene.station = { ...scene.station, checks };
    const actor = { by: 'M. Fitter', roles: ['maintenance'] } as const;
    for (const ok of [false, true]) {
      for (const { id: instrument } of scene.station.register) {
        const order = { station: scene.station, instrument, ok, why: 'weight of 5 kg', actor };
        enterIntermediate(scene.parts.ledger, order, scene.clock.now());
      }
    }
  });
  await expect(going).rejects.toThrow(/power was asked for/u);
});

describe('a calibration that is due today', () => {
  const dueToday = (scene: Scene, time: string): void => {
    calibrated({ due: '2026-11-25' })(scene);
    scene.clock.set(Date.parse(`2026-11-${time}Z`));
  };

  test.each(WAYS)('%s: midnight between the warnings and the power lets it go on', async (way) => {
    const going = tried(way, (scene) => {
      dueToday(scene, '25T23:59:50');
      scene.order = {
        acknowledge: (warning, task) => {
          scene.clock.set(Date.parse('2026-11-26T00:00:10Z'));
          return Promise.resolve({
            ...{ hazard: warning.hazard, by: 'op 17', at: scene.clock.now() },
            ...{ serial: task.serial, attempt: task.attempt, language: 'en' },
            textIssue: warning.issue,
            means: 'command-line option, simulated bench',
          });
        },
      };
    });
    await expect(going).rejects.toThrow(/power was asked for/u);
  });

  test.each(WAYS)('%s: ten seconds after midnight the next one is refused', async (way) => {
    const { codes, energized } = await tried(way, (scene) => {
      dueToday(scene, '26T00:00:10');
    });
    expect(codes).toEqual(['equipment/overdue']);
    expect(energized).toBe(0);
  });
});

test.each(WAYS)('%s: a clock set forward ten years runs into every due date', async (way) => {
  const { codes, energized } = await tried(way, (scene) => {
    scene.clock.set(Date.parse('2036-11-25T14:00:00Z'));
    const seal = { ...scene.parts.seal, until: Date.parse('2040-01-01T00:00:00Z') };
    scene.parts = { ...scene.parts, seal };
  });
  const overdue = DOCUMENTS[way].station.register.map(() => 'equipment/overdue');
  expect(codes).toEqual(overdue);
  expect(energized).toBe(0);
});
