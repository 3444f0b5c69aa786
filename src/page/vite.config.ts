import { fileURLToPath } from 'node:url';
import { defineConfig } from 'vite';

/** Builds the page that `serve` hands out; every request stays on its own host. */
export const page = defineConfig({
  root: fileURLToPath(new URL('.', import.meta.url)),
  base: '/',
  logLevel: 'warn',
  build: {
    outDir: fileURLToPath(new URL('../../dist/page', import.meta.url)),
    emptyOutDir: true,
    assetsInlineLimit: 0, // the content policy allows no data: addresses
    target: 'es2023',
    modulePreload: { polyfill: false },
  },
  oxc: { jsx: { runtime: 'automatic', importSource: 'preact' } },
});

// eslint-disable-next-line no-restricted-syntax -- vite reads the configuration from here
export default page;
