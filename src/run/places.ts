import { homedir } from 'node:os';
import { join } from 'node:path';

/** Where keys lie unless a folder is named. Source: XDG Base Directory Specification. */
export function defaultKeys(environment: NodeJS.ProcessEnv = process.env): string {
  const config = environment['XDG_CONFIG_HOME'];
  const base = config === undefined || config === '' ? join(homedir(), '.config') : config;
  return join(base, 'stallmark', 'keys');
}

/** The ledger of a folder of records. */
export const ledgerFile = (root: string): string => join(root, 'ledger.db');

/** The derived index of that ledger; it may be deleted at any time. */
export const indexFile = (root: string): string => join(root, 'index.db');
