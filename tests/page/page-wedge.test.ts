import { expect, test } from 'vitest';
import {
  BURST_GAP,
  hear,
  NOTHING_HEARD,
  settle,
  SETTLED,
  type Scan,
  type Stroke,
} from '../../src/page/operator/wedge.js';

type Key = string | Partial<Stroke>;

interface Heard {
  readonly scans: readonly Scan[];
  /** Keys that reach the rest of the page. */
  readonly through: readonly string[];
}

/** Presses keys `gap` ms apart and settles whenever the keyboard is silent for long enough. */
function pressed(keys: readonly Key[], gap: number): Heard {
  const scans: Scan[] = [];
  const through: string[] = [];
  let wedge = NOTHING_HEARD;
  let at = 1000;
  const finish = (): void => {
    const scan = settle(wedge);
    if (scan !== undefined) scans.push(scan);
    wedge = NOTHING_HEARD;
  };
  for (const key of keys) {
    const given = typeof key === 'string' ? { key } : key;
    const stroke: Stroke = { key: '', at: at + gap, repeat: false, control: false, ...given };
    if (stroke.at - wedge.last >= SETTLED) finish();
    at = stroke.at;
    const heard = hear(wedge, stroke);
    wedge = heard.wedge;
    if (!heard.isBurst) through.push(stroke.key);
  }
  finish();
  return { scans, through };
}

/** One key for each character. */
const keysOf = (text: string): readonly string[] => Array.from(text);

const SERIAL = keysOf('H12-26-04711');
const whole = (text: string): Scan => ({ kind: 'whole', text });

interface Row {
  readonly behaviour: string;
  readonly keys: readonly Key[];
  readonly gap: number;
  readonly scans: readonly Scan[];
  readonly through: readonly string[];
}

const rows: readonly Row[] = [
  {
    behaviour:
      'a scanner at 5 ms a key with Enter is one scan, and only its first key gets through',
    keys: [...SERIAL, 'Enter'],
    gap: 5,
    scans: [whole('H12-26-04711')],
    through: ['H'],
  },
  {
    behaviour: 'a scanner at 34 ms a key is still one',
    keys: [...SERIAL, 'Enter'],
    gap: BURST_GAP - 1,
    scans: [whole('H12-26-04711')],
    through: ['H'],
  },
  {
    behaviour: 'a hand at 35 ms a key is none: every key gets through',
    keys: [...SERIAL, 'Enter'],
    gap: BURST_GAP,
    scans: [],
    through: [...SERIAL, 'Enter'],
  },
  {
    behaviour: 'Tab ends a scan and moves no focus',
    keys: [...SERIAL, 'Tab'],
    gap: 5,
    scans: [whole('H12-26-04711')],
    through: ['H'],
  },
  {
    behaviour: 'carriage return and line feed end one scan, not two',
    keys: [...SERIAL, 'Enter', { key: 'j', control: true }],
    gap: 5,
    scans: [whole('H12-26-04711')],
    through: ['H'],
  },
  {
    behaviour: 'two scans without a pause run together, and the line end between them stays',
    keys: [...SERIAL, 'Enter', ...SERIAL, 'Enter'],
    gap: 5,
    scans: [whole('H12-26-04711\rH12-26-04711')],
    through: ['H'],
  },
  {
    behaviour: 'two scans with a pause are two',
    keys: [...SERIAL, { key: 'Enter', at: 1070 }, { key: 'Q', at: 1500 }, 'W', 'E', 'R', 'Enter'],
    gap: 5,
    scans: [whole('H12-26-04711'), whole('QWER')],
    through: ['H', 'Q'],
  },
  {
    behaviour: 'a scan without its end is partial',
    keys: keysOf('H12-26'),
    gap: 5,
    scans: [{ kind: 'partial', text: 'H12-26' }],
    through: ['H'],
  },
  {
    behaviour: 'a pause inside a scan makes the first part partial',
    keys: [...keysOf('H12-26'), { key: '-', at: 1500 }, ...keysOf('04711'), 'Enter'],
    gap: 5,
    scans: [{ kind: 'partial', text: 'H12-26' }, whole('-04711')],
    through: ['H', '-'],
  },
  {
    behaviour: 'two fingers that roll over three keys are no scan',
    keys: ['a', 's', 'd'],
    gap: 10,
    scans: [],
    through: ['a'],
  },
  {
    behaviour: 'a key that repeats is neither a scan nor swallowed',
    keys: [' ', ...Array.from({ length: 60 }, () => ({ key: ' ', repeat: true }))],
    gap: 30,
    scans: [],
    through: Array.from({ length: 61 }, () => ' '),
  },
  {
    behaviour: 'Shift between the characters is held, not read',
    keys: [{ key: 'Shift' }, 'H', { key: 'Shift' }, '1', '2', { key: 'Shift' }, '_', 'Enter'],
    gap: 5,
    scans: [whole('H12_')],
    through: ['Shift', 'H', 'Shift', 'Shift'],
  },
  {
    behaviour: 'Control and ] inside a scan is the separator of GS1',
    keys: [...keysOf('01095'), { key: ']', control: true }, ...keysOf('21'), 'Enter'],
    gap: 5,
    scans: [whole('01095\u001d21')],
    through: ['0'],
  },
  {
    behaviour: 'a dead key of a wrong layout stays visible in the text',
    keys: [...keysOf('H12'), { key: 'Dead' }, '2', '6', 'Enter'],
    gap: 5,
    scans: [whole('H12\ufffd26')],
    through: ['H'],
  },
  {
    behaviour: 'spaces and Enters of a scan on a focused button get through no more than once',
    keys: [' ', 'H', ' ', '1', ' ', '2', 'Enter'],
    gap: 5,
    scans: [whole(' H 1 2')],
    through: [' '],
  },
  {
    behaviour: 'Enter alone, as a hand or a half-read label gives it, is no scan',
    keys: ['Enter', { key: 'Enter', at: 1010 }, { key: 'Enter', at: 1020 }],
    gap: 5,
    scans: [],
    through: ['Enter'],
  },
  {
    behaviour: 'a key that no scanner sends ends the run',
    keys: [...keysOf('H12-'), { key: 'F5' }, '26', 'Enter'],
    gap: 5,
    scans: [],
    through: ['H', 'F5', '26', 'Enter'],
  },
];

for (const { behaviour, keys, gap, scans, through } of rows) {
  test(behaviour, () => {
    expect(pressed(keys, gap)).toEqual({ scans, through });
  });
}

test('a stuck scanner cannot fill the memory: a run is cut at 600 characters', () => {
  const [scan] = pressed([...keysOf('x'.repeat(5000)), 'Enter'], 1).scans;
  expect(scan).toEqual({ kind: 'partial', text: 'x'.repeat(600) });
});
