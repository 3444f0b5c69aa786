import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { onTestFinished } from 'vitest';

/** Makes an empty folder that is removed when the running test has finished. Call it inside a test. */
export function temporaryFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), 'stallmark-'));
  onTestFinished(() => {
    rmSync(folder, { recursive: true, force: true });
  });
  return folder;
}
