import type { Dialect } from './links.js';

/** What a dialect may say in a role, and what follows from saying it. */
export interface Vocabulary {
  readonly acts: Readonly<Record<string, Act>>;
  readonly questions: Readonly<Record<string, Question>>;
  readonly facts: Readonly<Record<string, Fact>>;
}

/** What else a dialect must say when it says this: `act feed`, `question ceiling`, `fact range`. */
type Needs = readonly `${'act' | 'question' | 'fact'} ${string}`[];

interface Act {
  readonly needed?: true;
  /** Names in braces, each of which must be sent. */
  readonly braces: readonly string[];
  readonly needs?: Needs;
}

interface Question {
  readonly needed?: true;
  readonly braces?: readonly string[];
  readonly needs?: Needs;
}

interface Fact {
  readonly needed?: true;
  /** How it is written: a number with its unit, a bare number, a word, or a list of one of them. */
  readonly kind: 'quantity' | 'number' | 'word' | 'quantities' | 'numbers' | 'words';
}

const BLOCK_FACTS: Vocabulary['facts'] = {
  format: { kind: 'word', needed: true },
  'byte-order': { kind: 'word', needed: true },
  'volts-per-count': { kind: 'quantity' },
};

const DIGITIZER: Vocabulary = {
  acts: {
    prepare: { braces: [] },
    rate: { braces: ['rate'], needed: true },
    samples: { braces: ['samples'], needed: true },
    'on-trigger': { braces: [], needs: ['act on-now'] },
    'on-now': { braces: [] },
    arm: { braces: [], needed: true },
    end: { braces: [], needed: true },
    fixture: { braces: ['fixture'], needs: ['question fixture', 'fact fixture-coupled'] },
    angle: { braces: ['angle'], needs: ['question angle'] },
  },
  questions: {
    identity: { needed: true },
    error: { needed: true },
    complete: {},
    rate: { needed: true },
    samples: {},
    inputs: {},
    blocks: { needed: true, braces: ['from', 'count'] },
    condition: { needs: ['fact sweeping'] },
    fixture: {},
    angle: {},
    temperature: {},
    humidity: {},
    supply: {},
    powered: {},
    adapter: {},
  },
  facts: {
    ...BLOCK_FACTS,
    range: { kind: 'quantity', needed: true },
    rates: { kind: 'quantities', needed: true },
    inputs: { kind: 'number' },
    'first-input': { kind: 'number' },
    indexing: { kind: 'word' },
    sweeping: { kind: 'number' },
    waiting: { kind: 'number' },
    'fixture-coupled': { kind: 'word' },
    'fixture-uncoupled': { kind: 'word' },
    'fixture-shunt': { kind: 'word' },
    'fixture-shunt-negative': { kind: 'word' },
    'fixture-timing': { kind: 'word' },
  },
};

const DRIVE: Vocabulary = {
  acts: {
    prepare: { braces: [] },
    ceiling: { braces: ['ceiling'], needed: true },
    'dead-man': {
      braces: ['dead-man'],
      needs: ['question dead-man', 'act feed', 'fact dead-man-from', 'fact dead-man-to'],
    },
    feed: { braces: [], needs: ['act dead-man'] },
    on: { braces: [], needed: true },
    off: { braces: [], needed: true },
    ramp: { braces: [], needs: ['question complete'] },
    smoothing: { braces: ['smoothing'], needs: ['question smoothing', 'fact smoothing'] },
    slew: { braces: ['slew'], needs: ['question slew', 'fact own-slew'] },
    updates: { braces: ['rate'], needed: true },
    waveform: { braces: ['block'], needed: true },
    silence: { braces: ['from', 'to'], needs: ['act no-silence'] },
    'no-silence': { braces: [] },
    start: { braces: [], needed: true },
    finish: { braces: [], needed: true },
  },
  questions: {
    identity: { needed: true },
    error: { needed: true },
    complete: {},
    item: { needed: true, needs: ['fact item'] },
    components: {},
    ceiling: { needed: true },
    'dead-man': {},
    output: { needed: true },
    smoothing: {},
    slew: {},
    updates: { needed: true },
    samples: {},
    report: { needed: true, needs: ['fact report'] },
    complaint: {},
  },
  facts: {
    ...BLOCK_FACTS,
    range: { kind: 'quantity' },
    'torque-per-volt': { kind: 'quantity', needed: true },
    'maximum-updates': { kind: 'quantity', needed: true },
    smoothing: { kind: 'numbers' },
    'own-slew': { kind: 'quantity' },
    'dead-man-from': { kind: 'quantity' },
    'dead-man-to': { kind: 'quantity' },
    'ceiling-step': { kind: 'quantity' },
    report: { kind: 'words' },
    item: { kind: 'words' },
    'fault-dead-man': { kind: 'number' },
    'fault-over-torque': { kind: 'number' },
    'fault-safe-torque-off': { kind: 'number' },
  },
};

/** Returns what a dialect may say in a role. */
export function vocabularyOf(role: Dialect['role']): Vocabulary {
  return role === 'digitizer' ? DIGITIZER : DRIVE;
}

/** Names that the list of values of a reply must hold, by the fact that gives their order. */
export const REPLY_VALUES: Readonly<Record<'report' | 'item', readonly string[]>> = {
  report: ['updates', 'time', 'enabled'],
  item: ['model', 'serial', 'firmware', 'firmware-digest'],
};
