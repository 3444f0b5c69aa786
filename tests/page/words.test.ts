import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { parse } from 'yaml';
import { CODES } from '../../src/base/codes.js';
import { problemKind } from '../../src/page/operator/problem-kind.js';
import { languageOf, WORDS_OF } from '../../src/page/words/languages.js';
import { fill, LANGUAGES, type Language } from '../../src/page/words/words.js';

/** Every text of a language by its place, e.g. `say.scan`. */
function texts(value: unknown, place = ''): Map<string, string> {
  if (typeof value === 'string') return new Map([[place, value]]);
  return new Map<string, string>(
    Object.entries(value as Record<string, unknown>).flatMap(([name, part]) => [
      ...texts(part, place === '' ? name : `${place}.${name}`),
    ]),
  );
}

const all = new Map(LANGUAGES.map((language) => [language, texts(WORDS_OF[language])]));
const of = (language: Language): Map<string, string> =>
  all.get(language) ?? new Map<string, string>();
const others = LANGUAGES.filter((language) => language !== 'en');

/** Texts that are rightly the same as in English, with the reason. */
const SAME: Readonly<Record<string, string>> = {
  'de warn.begin': '"Start" is the German word for it',
  'pl warn.begin': '"Start" is the Polish word for it',
  'pl roles.operator': '"operator" is the Polish word for it',
};

for (const language of others) {
  test(`${language}: no text was left in English`, () => {
    const same = [...of(language)]
      .filter(([place, text]) => text === of('en').get(place))
      .map(([place]) => `${language} ${place}`);
    expect(same.sort()).toEqual(
      Object.keys(SAME)
        .sort()
        .filter((place) => place.startsWith(language)),
    );
  });

  test(`${language}: the same values in the same texts`, () => {
    const places = (text: string): readonly string[] => (text.match(/\{\w+\}/gu) ?? []).sort();
    for (const [place, text] of of('en')) {
      expect(places(of(language).get(place) ?? ''), place).toEqual(places(text));
    }
  });
}

for (const language of LANGUAGES) {
  test(`${language}: no text is empty or has blanks at its ends`, () => {
    const odd = [...of(language)].filter(([, text]) => text === '' || text !== text.trim());
    expect(odd).toEqual([]);
  });

  test(`${language}: sentences read from two metres have at most eight words and fit two lines`, () => {
    const far = [...of(language)].filter(([place]) => /^(?:say|next)\./u.test(place));
    expect(far.length).toBeGreaterThan(20);
    for (const [place, text] of far) {
      expect(text.split(/\s+/u).length, place).toBeLessThanOrEqual(8);
      expect(text.length, place).toBeLessThanOrEqual(60);
    }
  });

  test(`${language}: words in narrow places are short enough for 1280 pixels`, () => {
    const longest = (part: string): number =>
      Math.max(
        ...[...of(language)]
          .filter(([place]) => place.startsWith(part))
          .map(([, text]) => text.length),
      );
    // As many as were seen to fit, in the widest letters of each place.
    expect(longest('verdict.')).toBeLessThanOrEqual(9);
    expect(longest('stop.stop')).toBeLessThanOrEqual(18);
    expect(longest('groups.')).toBeLessThanOrEqual(21);
    expect(longest('power.o')).toBeLessThanOrEqual(14); // unknown takes two lines
    expect(longest('warn.keep')).toBeLessThanOrEqual(24);
  });

  test(`${language}: the three verdicts and whom a HOLD points at differ`, () => {
    const { verdict, blamed } = WORDS_OF[language];
    for (const words of [verdict, blamed]) {
      expect(new Set(Object.values(words)).size).toBe(Object.keys(words).length);
    }
  });
}

interface Written {
  readonly warnings: readonly {
    readonly hazard: string;
    readonly texts: Readonly<Record<string, { readonly avoidance: string }>>;
  }[];
}

const shipped = ['h12-acceptance', 'h12-reference', 'h12-stand', 'h12-stop'];

for (const name of shipped) {
  const file = new URL(`../../procedures/${name}.yaml`, import.meta.url);
  const { warnings } = parse(readFileSync(file, 'utf8')) as Written;

  test(`${name}: every warning in every language of the page`, () => {
    for (const warning of warnings) {
      expect(Object.keys(warning.texts).sort(), warning.hazard).toEqual([...LANGUAGES].sort());
    }
  });

  test(`${name}: a warning names the words that the page shows when power is off`, () => {
    const sudden = warnings.find(({ hazard }) => hazard === 'sudden-torque');
    for (const language of LANGUAGES) {
      const avoidance = sudden?.texts[language]?.avoidance ?? '';
      expect(avoidance, language).toContain(WORDS_OF[language].power.off);
    }
  });
}

test('the label of Stop test never calls it an emergency stop', () => {
  const emergency = /emergency|not-?halt|not-?aus|emergencia|awaryjn|急停/iu;
  for (const language of LANGUAGES) {
    const { stop, not } = WORDS_OF[language].stop;
    expect(stop, language).not.toMatch(emergency);
    expect(not, language).toMatch(emergency);
  }
});

test('a tag finds its language, whatever the country', () => {
  const tags = ['en', 'de-AT', 'es-MX', 'PL', 'zh-Hans-CN', 'fr', ''];
  expect(tags.map(languageOf)).toEqual(['en', 'de', 'es', 'pl', 'zh', undefined, undefined]);
});

test('values go into their places, and a place without a value is a defect', () => {
  expect(fill('{n} of {most}', { n: 1, most: 2 })).toBe('1 of 2');
  expect(() => fill('{n} of {most}', { n: 1 })).toThrow('no value for {most}');
});

test('every code of a refusal that an operator can meet has words of its own', () => {
  const areas =
    /^(?:serial|route|document|readiness|equipment|bench|people|ledger|storage|keys)\//u;
  const codes = Object.keys(CODES).filter((code) => areas.test(code));
  expect(codes.filter((code) => problemKind(code) === 'other')).toEqual([]);
  expect(problemKind('usage/argument')).toBe('other');
  expect(problemKind('bench/wrong-item')).toBe('item');
  expect(problemKind('serial/quarantined')).toBe('quarantined');
});
