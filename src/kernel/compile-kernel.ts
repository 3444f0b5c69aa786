import { readFileSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

const folder = new URL('../../src/kernel/', import.meta.url);
const FILES = { 'kernel.ts': 'assembly/kernel.ts', 'asconfig.json': 'assembly/asconfig.json' };

/**
 * The compiler as far as it is used here. Its own types redeclare `Array` for the whole program, so they
 * are kept out: the name is a text that the type checker does not follow.
 */
interface Compiler {
  main(
    options: readonly string[],
    files: {
      readonly readFile: (name: string) => string | null;
      readonly writeFile: (name: string, contents: Uint8Array) => void;
      readonly listFiles: () => readonly string[];
    },
  ): Promise<{ readonly error: Error | null }>;
}
const COMPILER: string = 'assemblyscript/asc';

/** Where `npm run build` writes what this file makes; git does not keep it. */
export const KERNEL = fileURLToPath(new URL('bytes.ts', folder));

/**
 * Compiles the WebAssembly kernel into a module that holds its bytes as text: it then loads alike from
 * `src` and `dist`, in a thread and in a test.
 */
export async function compiledKernel(): Promise<string> {
  const sources = new Map(
    Object.entries(FILES).map(([name, file]) => [
      name,
      readFileSync(new URL(file, folder), 'utf8'),
    ]),
  );
  const asc = ((await import(COMPILER)) as { readonly default: Compiler }).default;
  let bytes = new Uint8Array();
  const { error } = await asc.main(
    ['kernel.ts', '--config', 'asconfig.json', '--outFile', 'kernel.wasm'],
    {
      readFile: (name) => sources.get(name) ?? null,
      writeFile: (_name, contents) => {
        bytes = Uint8Array.from(contents);
      },
      listFiles: () => [],
    },
  );
  if (error !== null) throw error;
  return [
    '// made by compile-kernel.ts from assembly/kernel.ts; do not edit',
    `export const BYTES =\n  '${Buffer.from(bytes).toString('base64')}';`,
    '',
  ].join('\n');
}

if (process.argv[1] === fileURLToPath(import.meta.url))
  writeFileSync(KERNEL, await compiledKernel());
