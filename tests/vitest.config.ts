import { defineConfig } from 'vitest/config';

const project = (name: string, pattern: string, timeout: number) => ({
  test: {
    name,
    include: [`tests/${name}/**/${pattern}`],
    testTimeout: timeout,
    hookTimeout: timeout,
  },
});

/** One project per folder; what takes long or touches the outside is kept apart from `check`. */
export default defineConfig({
  root: new URL('..', import.meta.url).pathname,
  test: {
    maxWorkers: 2,
    projects: [
      project('unit', '*.test.ts', 60_000),
      project('page', '*.test.ts', 60_000),
      project('checks', '*.check.ts', 60_000),
      project('contract', '*.test.ts', 60_000),
      project('truth', '*.test.ts', 300_000),
      project('faults', '*.test.ts', 120_000),
      project('e2e', '*.test.ts', 180_000),
      project('browser', '*.test.ts', 180_000),
    ],
  },
});
