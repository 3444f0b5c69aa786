import { describe, expect, test } from 'vitest';
import { hertz, newtonMetre, second, torquePerSecond } from '../../src/base/units.js';
import type { Take } from '../../src/capture/capture.js';
import type { Pattern, Settings } from '../../src/procedure/procedure.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { SOUND } from '../../src/scoring/sound.js';
import { lcgNormal } from '../support/lcg.js';
import { RATE, reasonOf, scoreIn, takeOf, valueOf } from '../support/made-capture.js';

const pattern: Pattern = {
  kind: 'sine',
  amplitude: newtonMetre(1),
  frequency: hertz(1),
  duration: second(3),
};

/** A tone of so many dB re 20 µPa at the microphone, and what the item was set to. */
function toneTake(
  level: number,
  frequency: number,
  settings: Partial<Settings> = {},
  noise = 0,
): Take {
  const amplitude = Math.SQRT2 * 20e-6 * 10 ** (level / 20);
  const normal = lcgNormal(11);
  const made = takeOf({ pattern, settings: { smoothing: 2, fixture: 'coupled', ...settings } });
  const sound = Float32Array.from(
    { length: made.expected },
    (_, n) => amplitude * Math.sin((2 * Math.PI * frequency * n) / RATE) + noise * normal(),
  );
  return { ...made, channels: { ...made.channels, sound } };
}

function score(
  id: string,
  takes: readonly Take[],
  options: Readonly<Record<string, number>> = {},
): Outcome {
  return scoreIn(SOUND, id, { pattern, takes, options });
}

describe('sound level', () => {
  // Weights of A at these frequencies: IEC 61672-1, Table 3 (from memory), to 0.1 dB.
  for (const [frequency, weight] of [
    [1000, 0],
    [100, -19.1],
    [250, -8.6],
    [4000, 1],
  ] as const) {
    test(`a tone of 70 dB at ${frequency} Hz reads ${70 + weight} dB(A) within 0.1 dB`, () => {
      const found = score('sound-level', [toneTake(70, frequency)]);
      expect(Math.abs(valueOf(found) - 70 - weight)).toBeLessThan(0.1);
    });
  }

  test('two takes of 60 dB and 66 dB average by energy: 63.96 dB, with spread', () => {
    const found = score('sound-level', [toneTake(60, 1000), toneTake(66, 1000)]);
    const energy = 10 * Math.log10((10 ** 6 + 10 ** 6.6) / 2);
    expect(Math.abs(valueOf(found) - energy)).toBeLessThan(0.05);
    expect(found).toMatchObject({ repeats: 2 });
  });

  test('the take with the stated smoothing and slew is chosen', () => {
    const takes = [
      toneTake(50, 1000, { smoothing: 0 }),
      toneTake(60, 1000, { slew: torquePerSecond(1000) }),
      toneTake(70, 1000, { slew: torquePerSecond(6000) }),
    ];
    expect(valueOf(score('sound-level', takes, { smoothing: 0 }))).toBeCloseTo(50, 1);
    expect(valueOf(score('sound-level', takes, { slew: 1000 }))).toBeCloseTo(60, 1);
    expect(valueOf(score('sound-level', takes, { slew: 6000 }))).toBeCloseTo(70, 1);
    expect(reasonOf(score('sound-level', takes))).toContain('state which');
    expect(reasonOf(score('sound-level', takes, { smoothing: 5 }))).toContain('smoothing 5');
  });

  test('the plot has thirds of an octave whose energies add up to the level', () => {
    const found = score('sound-level', [toneTake(70, 1000, {}, 1e-3)]);
    if (found.kind !== 'measured' || found.evidence?.kind !== 'spectrum')
      throw new Error('no plot');
    const { frequency, level, unit } = found.evidence;
    expect(unit).toBe('dB(A)');
    const top = level.indexOf(Math.max(...level));
    expect(frequency[top]).toBeCloseTo(1000, 6);
    const sum = 10 * Math.log10(level.reduce((s, l) => s + 10 ** (l / 10), 0));
    expect(Math.abs(sum - found.value)).toBeLessThan(0.2);
  });

  test('the greatest of several settings is found', () => {
    const takes = [0, 1, 2].map((smoothing) => toneTake(60 - 3 * smoothing, 1000, { smoothing }));
    expect(valueOf(score('sound-over-settings', takes))).toBeCloseTo(60, 1);
  });
});

describe('refusals', () => {
  test('a bench without a microphone', () => {
    const mute = takeOf({ pattern, settings: { smoothing: 2, fixture: 'coupled' } });
    expect(reasonOf(score('sound-level', [mute]))).toBe('The bench has no microphone.');
    expect(reasonOf(score('sound-over-settings', [mute]))).toBe('The bench has no microphone.');
  });
  test('a microphone that gives zeros', () => {
    const take = toneTake(70, 1000);
    const channels = { ...take.channels, sound: new Float32Array(take.expected) };
    expect(reasonOf(score('sound-level', [{ ...take, channels }]))).toContain('nothing but zeros');
  });
  test('too little sound after settling', () => {
    const found = score('sound-level', [toneTake(70, 1000)], { settling: 2.5 });
    expect(reasonOf(found)).toContain('1 s are needed');
  });
});
