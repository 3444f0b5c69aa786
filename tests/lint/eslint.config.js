import tseslint from 'typescript-eslint';

const sizes = {
  'max-lines-per-function': ['error', { max: 60, skipBlankLines: true, skipComments: true }],
  'max-lines': ['error', { max: 300, skipBlankLines: true, skipComments: true }],
  complexity: ['error', 10],
  'max-depth': ['error', 3],
  'max-params': ['error', 4],
};

export default tseslint.config(
  {
    ignores: [
      '**/dist/**',
      '**/node_modules/**',
      'src/procedure/validators.ts',
      'src/kernel/bytes.ts',
      'src/kernel/assembly/**',
      'src/page/vite.config.ts',
    ],
  },
  {
    files: ['src/**/*.{ts,tsx}', 'tests/**/*.ts'],
    extends: [...tseslint.configs.strictTypeChecked],
    languageOptions: {
      parserOptions: {
        project: [
          new URL('../tsconfig.json', import.meta.url).pathname,
          new URL('../../src/page/tsconfig.json', import.meta.url).pathname,
        ],
      },
    },
    rules: {
      '@typescript-eslint/switch-exhaustiveness-check': [
        'error',
        { considerDefaultExhaustiveForUnions: false },
      ],
      '@typescript-eslint/strict-boolean-expressions': 'error',
      '@typescript-eslint/explicit-module-boundary-types': 'error',
      '@typescript-eslint/no-non-null-assertion': 'error',
      '@typescript-eslint/restrict-template-expressions': ['error', { allowNumber: true }],
      'no-restricted-syntax': [
        'error',
        { selector: 'TSEnumDeclaration', message: 'Write a union of literals.' },
        { selector: 'ExportDefaultDeclaration', message: 'Export by name.' },
        {
          selector: "CallExpression[callee.object.name='Date'][callee.property.name='now']",
          message: 'Take a Clock.',
        },
        {
          selector: "NewExpression[callee.name='Date'][arguments.length=0]",
          message: 'Take a Clock.',
        },
        {
          selector: "CallExpression[callee.object.name='Math'][callee.property.name='random']",
          message: 'Take a seeded generator.',
        },
      ],
    },
  },
  {
    files: ['src/bench/**/*.ts', 'src/capture/**/*.ts', 'src/run/**/*.ts', 'src/serve/nest*.ts'],
    rules: sizes,
  },
  {
    files: [
      'src/base/clock.ts',
      'src/page/**',
      'tests/support/**/*.ts',
      'tests/*.config.ts',
      'tests/speed/**',
    ],
    rules: { 'no-restricted-syntax': 'off' },
  },
);
