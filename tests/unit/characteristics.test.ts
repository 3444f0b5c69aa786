import { readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { describe, expect, test } from 'vitest';
import { EXIT } from '../../src/base/codes.js';
import { StallmarkError } from '../../src/base/error.js';
import {
  asMarkdown,
  asText,
  listCharacteristics,
  type CharacteristicsOptions,
  type Facts,
} from '../../src/cli/characteristics.js';
import type { Terminal } from '../../src/cli/terminal.js';
import { CHARACTERISTICS, GATES } from '../../src/scoring/catalogue.js';

function printed(ids: readonly string[], options: CharacteristicsOptions = {}, width = 80): string {
  const lines: string[] = [];
  const terminal: Terminal = {
    out: (text) => void lines.push(text),
    err: (text) => void lines.push(`error: ${text}`),
    width,
    isInteractive: false,
    ask: () => Promise.reject(new Error('nobody is asked')),
  };
  expect(listCharacteristics(ids, options, terminal)).toBe(EXIT.conforming);
  return lines.join('\n');
}

test('procedures/characteristics.md is what the catalogue says; `npm run docs` writes it anew', () => {
  const file = fileURLToPath(new URL('../../procedures/characteristics.md', import.meta.url));
  expect(readFileSync(file, 'utf8')).toBe(asMarkdown(CHARACTERISTICS));
});

test('the document is what the command prints', () => {
  expect(`${printed([], { markdown: true })}\n`).toBe(asMarkdown(CHARACTERISTICS));
});

for (const width of [80, 120]) {
  test(`no line is wider than ${width} columns, and no word is lost`, () => {
    const text = printed([], {}, width);
    for (const line of text.split('\n')) expect(line.length, line).toBeLessThanOrEqual(width);
    const joined = text.replace(/\s+/gu, ' ');
    for (const { id, name, definition, formula, shifts, source, check } of CHARACTERISTICS) {
      for (const told of [`${id} – ${name}`, definition, formula, shifts, source, check]) {
        expect(joined).toContain(told.replace(/\s+/gu, ' '));
      }
    }
  });
}

test('a window of any width gets lines of 40 to 120 columns', () => {
  const widest = (width: number): number =>
    Math.max(
      ...asText(CHARACTERISTICS, width)
        .split('\n')
        .map((line) => line.length),
    );
  expect(widest(500)).toBeLessThanOrEqual(120);
  expect(widest(10)).toBeGreaterThan(30);
});

test('one characteristic: definition, stimulus, option with its default, gates, side, check', () => {
  const text = printed(['settling-time']);
  expect(text).toContain('settling-time – settling time');
  expect(text).toMatch(/stimulus +steps between levels; power applied/u);
  expect(text).toMatch(/options +band 2 %/u);
  expect(text).toMatch(/gates +those of its own stage; agreement, resonance, timing of any stage/u);
  expect(text).toMatch(/side +motor side/u);
  expect(text).not.toContain('rise-time – ');
});

test('an option without a default must be given, several settings are asked for, small times are in ms', () => {
  expect(printed(['phase-at'])).toMatch(/frequency in Hz, must be given/u);
  expect(printed(['grain-ratio'])).toMatch(/2 or more settings\s+of smoothing/u);
  expect(printed(['supply-minimum'])).toMatch(/window 1 ms/u);
  expect(printed(['preload'])).toContain('no power');
});

test('--json gives the same as data, every characteristic with all its fields', () => {
  const facts = JSON.parse(printed([], { json: true })) as readonly Facts[];
  expect(facts.map(({ id }) => id)).toEqual(CHARACTERISTICS.map(({ id }) => id));
  for (const one of facts) {
    for (const text of [one.name, one.definition, one.formula, one.shifts, one.source, one.unit]) {
      expect(text, one.id).not.toBe('');
    }
    expect(one.stimulus.patterns.length, one.id).toBeGreaterThan(0);
  }
  const [rise] = JSON.parse(printed(['lag'], { json: true })) as readonly Facts[];
  expect(rise?.options).toEqual([{ name: 'smoothing', unit: 'count' }]);
});

test('every unknown id is told at once, with its nearest and what to do', () => {
  const caught = ((): unknown => {
    try {
      return printed(['rise-tme', 'lag', 'mood']);
    } catch (error) {
      return error;
    }
  })();
  if (!(caught instanceof StallmarkError)) throw new Error('nothing was refused');
  expect(caught.problems.map(({ code, what, fix }) => [code, what, fix])).toEqual([
    ['usage/argument', 'There is no characteristic "rise-tme".', 'Write "rise-time".'],
    [
      'usage/argument',
      'There is no characteristic "mood".',
      'List them with: stallmark characteristics.',
    ],
  ]);
});

describe('what the catalogue says of each', () => {
  const gates = new Set(GATES.map(({ id }) => id));
  for (const { id, formula, shifts, gates: needed, options, side } of CHARACTERISTICS) {
    test(`${id} has a formula, what shifts it, and known gates`, () => {
      expect(formula.trim()).not.toBe('');
      expect(shifts).toMatch(/^[^A-Z]/u); // goes on a line after a label
      expect(shifts).not.toMatch(/\.$/u);
      for (const gate of needed) expect(gates).toContain(gate);
      expect(Object.keys(options).every((key) => /^[a-z-]+$/u.test(key))).toBe(true);
      if (side === 'link' || side === 'electrical') expect(needed).toEqual([]);
    });
  }
});
