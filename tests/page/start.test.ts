import { expect, test } from 'vitest';
import { LANGUAGES } from '../../src/page/words/words.js';
import { isReleased, PAGE_LANGUAGES } from '../../src/serve/start.js';

const versions: readonly (readonly [string, boolean])[] = [
  ['0.1.0+0123456789ab', false],
  ['0.9.9', false],
  ['1.0.0', true],
  ['1.0.0+0123456789ab', true],
  ['12.3.4+0123456789ab', true],
  ['1.0.0-trial.1+0123456789ab', false],
  ['unknown+0123456789ab', false],
];
for (const [version, is] of versions) {
  test(`${version} is ${is ? '' : 'not '}released`, () => {
    expect(isReleased(version)).toBe(is);
  });
}

test('the languages told are those the page has words in', () => {
  expect(PAGE_LANGUAGES).toEqual(LANGUAGES);
});
