import fc from 'fast-check';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { MOST_CHARACTERS, MOST_LEVELS, decodeText, readYaml } from '../../src/procedure/yaml.js';

/** What was found, as "line:column+length code". */
function findings(text: string): readonly string[] {
  return readYaml(text, 'f.yaml').problems.map(
    ({ code, where }) => `${where?.line}:${where?.column}+${where?.length} ${code}`,
  );
}

test('values keep their kinds and know their places', () => {
  const { located, problems } = readYaml('a: 1\nb:\n  - x\n  - c: "y"\n    d:\n', 'f.yaml');
  expect(problems).toEqual([]);
  expect(located?.value).toEqual({ a: 1, b: ['x', { c: 'y', d: null }] });
  expect(located?.placeOf('/b/1/c')).toEqual({ file: 'f.yaml', line: 4, column: 8, length: 3 });
  expect(located?.placeOfKey('/b/1/c')).toEqual({ file: 'f.yaml', line: 4, column: 5, length: 1 });
  expect(located?.placeOf('/b/1/d')).toMatchObject({ line: 5, column: 5 });
  expect(located?.placeOf('/b/1/missing')).toMatchObject({ line: 4, column: 5 });
  expect(located?.placeOf('/nothing')).toMatchObject({ line: 1, column: 1 });
});

const refused: readonly {
  readonly name: string;
  readonly text: string;
  readonly want: readonly string[];
}[] = [
  { name: 'a duplicate key', text: 'a: 1\nb: 2\na: 3\n', want: ['3:1+1 yaml/duplicate-key'] },
  {
    name: 'a duplicate key in braces',
    text: 'x: { b: 1, b: 2 }\n',
    want: ['1:12+1 yaml/duplicate-key'],
  },
  {
    name: 'an anchor and its alias',
    text: 'a: &x 3\nb: *x\n',
    want: ['1:4+2 yaml/alias', '2:4+2 yaml/alias'],
  },
  { name: 'a merge key', text: 'b: 1\n<<: { a: 1 }\n', want: ['2:1+2 yaml/alias'] },
  { name: 'a core tag', text: 'a: !!str 3\n', want: ['1:4+5 yaml/alias'] },
  { name: 'a tag of its own', text: 'a: !torque 3\n', want: ['1:4+7 yaml/alias'] },
  {
    name: 'unquoted yes, no, on, off, y, n',
    text: 'a: [yes, No, ON, off, y, n]\n',
    want: ['1:5+3', '1:10+2', '1:14+2', '1:18+3', '1:23+1', '1:26+1'].map(
      (p) => `${p} yaml/old-reading`,
    ),
  },
  { name: 'the key on', text: 'on: 1\n', want: ['1:1+2 yaml/old-reading'] },
  { name: 'octal with 0o', text: 'a: 0o17\n', want: ['1:4+4 yaml/old-reading'] },
  { name: 'octal with a leading zero', text: 'a: 017\n', want: ['1:4+3 yaml/old-reading'] },
  {
    name: 'a GTIN that would lose its zero',
    text: 'gtin: 09520123401207\n',
    want: ['1:7+14 yaml/old-reading'],
  },
  { name: 'binary', text: 'a: 0b101\n', want: ['1:4+5 yaml/old-reading'] },
  { name: 'an underscore in a number', text: 'a: 1_000\n', want: ['1:4+5 yaml/old-reading'] },
  { name: 'base 60', text: 'a: 1:30\n', want: ['1:4+4 yaml/old-reading'] },
  {
    name: 'infinity and NaN',
    text: 'a: .inf\nb: -.INF\nc: .nan\n',
    want: ['1:4+4', '2:4+5', '3:4+4'].map((p) => `${p} yaml/old-reading`),
  },
  { name: 'a tab as indentation', text: 'a:\n\t- 1\n', want: ['2:1+1 yaml/unreadable'] },
  { name: 'a tab after a key', text: 'a:\t1\n', want: ['1:3+1 yaml/unreadable'] },
  { name: 'a second document', text: 'a: 1\n---\nb: 2\n', want: ['2:1+3 yaml/unreadable'] },
  { name: 'text after the end mark', text: 'a: 1\n...\nb: 2\n', want: ['3:1+4 yaml/unreadable'] },
  { name: 'a version directive', text: '%YAML 1.1\n---\na: 1\n', want: ['1:1+9 yaml/unreadable'] },
  { name: 'a key that is a list', text: '? [a]\n: 1\n', want: ['1:3+1 document/key'] },
  { name: 'nothing', text: '', want: ['1:1+1 yaml/unreadable'] },
  { name: 'only a comment', text: '# a\n', want: ['1:1+1 yaml/unreadable'] },
  {
    name: 'a bracket that never closes',
    text: 'a: [1, 2\nb: 3\n',
    want: ['2:1+1 yaml/unreadable'],
  },
  { name: 'a colon in a plain text', text: 'a: b: c\n', want: ['1:4+1 yaml/unreadable'] },
  { name: 'an unknown escape', text: 'a: "\\d"\n', want: ['1:5+1 yaml/unreadable'] },
];
for (const { name, text, want } of refused) {
  test(`${name} is refused at ${want.join(', ')}`, () => {
    expect(findings(text)).toEqual(want);
  });
}

test('all problems are found at once, in the order of the file', () => {
  expect(findings('a: yes\nb: &x 1\nc: 1_000\na: 2\n')).toEqual([
    '1:4+3 yaml/old-reading',
    '2:4+2 yaml/alias',
    '3:4+5 yaml/old-reading',
    '4:1+1 yaml/duplicate-key',
  ]);
});

test('quoted words and block text are taken as they stand', () => {
  const { located, problems } = readYaml('a: "yes"\nb: \'1_000\'\nc: |\n  on\n', 'f.yaml');
  expect(problems).toEqual([]);
  expect(located?.value).toEqual({ a: 'yes', b: '1_000', c: 'on\n' });
});

test('a byte order mark and Windows line ends change nothing', () => {
  const { located, problems } = readYaml('\uFEFFa: 1\r\nb: 2\r\n', 'f.yaml');
  expect(problems).toEqual([]);
  expect(located?.value).toEqual({ a: 1, b: 2 });
  expect(located?.placeOf('/b')).toMatchObject({ line: 2, column: 4 });
});

const hostile = [
  { name: '20 000 open brackets', text: '['.repeat(20_000) },
  { name: '4000 nested list marks', text: `${'- '.repeat(4000)}a` },
  { name: '4000 nested keys', text: `${'? '.repeat(4000)}a` },
  { name: '100 000 spaces before a value', text: `a:\n${' '.repeat(100_000)}b: 1\n` },
  {
    name: 'a stair of 1000 mappings',
    text: Array.from({ length: 1000 }, (_, i) => `${' '.repeat(i)}a:\n`).join(''),
  },
  { name: 'more characters than allowed', text: `a: "${'x'.repeat(MOST_CHARACTERS)}"` },
];
for (const { name, text } of hostile) {
  test(`${name} are refused before they are parsed`, () => {
    expect(findings(text)).toEqual(['1:1+1 yaml/too-large']);
  });
}

test('a document may be 24 levels deep, not 25', () => {
  const nested = (levels: number): string => `${'['.repeat(levels)}1${']'.repeat(levels)}`;
  expect(findings(nested(MOST_LEVELS))).toEqual([]);
  expect(findings(nested(MOST_LEVELS + 1))).toEqual([`1:${MOST_LEVELS + 1}+3 yaml/too-large`]);
});

test('a key "__proto__" stays a key', () => {
  const value = readYaml('__proto__: { x: 1 }\n', 'f.yaml').located?.value;
  expect(Object.keys(value ?? {})).toEqual(['__proto__']);
  expect({}).not.toHaveProperty('x');
});

test('bytes that are not UTF-8 are refused at the first of them', () => {
  const bytes = Uint8Array.from([0x61, 0x3a, 0x0a, 0x62, 0xff, 0x63]);
  const attempt = (): string => decodeText(bytes, 'f.yaml');
  expect(attempt).toThrow(StallmarkError);
  expect(attempt).toThrow('yaml/unreadable');
  try {
    attempt();
  } catch (error) {
    expect(error).toMatchObject({ problems: [{ where: { line: 2, column: 2 } }] });
  }
  expect(decodeText(Uint8Array.from([0xef, 0xbb, 0xbf, 0x61]), 'f.yaml')).toBe('a');
});

test('no text makes the reader throw', () => {
  const yamlish = fc.array(
    fc.oneof(
      fc.constantFrom(
        'a: ',
        '- ',
        '[',
        ']',
        '{',
        '}',
        ', ',
        '\n',
        '  ',
        '&x ',
        '*x',
        '!!t ',
        '"',
        "'",
        '|',
        '# ',
        '? ',
        '%',
        '---\n',
        '<<: ',
        '\t',
        'yes',
        '0',
      ),
      fc.string({ maxLength: 3 }),
    ),
    { maxLength: 40 },
  );
  fc.assert(
    fc.property(yamlish, (parts) => {
      const { located, problems } = readYaml(parts.join(''), 'f.yaml');
      return located !== undefined || problems.length > 0;
    }),
    { seed: 12, numRuns: 500 },
  );
});
