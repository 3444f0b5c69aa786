import { expect, test } from 'vitest';
import { CODES, type ErrorCode } from '../../src/base/codes.js';
import { statusOf } from '../../src/serve/http-status.js';

const statusOfCode = (code: ErrorCode): number => statusOf([{ code, what: '', fix: '' }]);

const rows: readonly (readonly [ErrorCode, number])[] = [
  ['page/host', 421],
  ['page/token', 403],
  ['page/session', 401],
  ['page/remote', 403],
  ['page/held', 409],
  ['people/role', 403],
  ['usage/argument', 400],
  ['document/value', 422],
  ['readiness/not-ready', 409],
  ['ledger/busy', 503],
  ['page/broken', 500],
];
for (const [code, status] of rows) {
  test(`${code} is answered with ${String(status)}`, () => {
    expect(statusOfCode(code)).toBe(status);
  });
}

test('no code is answered as if all were well', () => {
  for (const code of Object.keys(CODES)) {
    expect(statusOfCode(code as ErrorCode), code).toBeGreaterThanOrEqual(400);
  }
});

test('only the end of a session sends a page to the log-in', () => {
  const codes = Object.keys(CODES).filter((code) => statusOfCode(code as ErrorCode) === 401);
  expect(codes).toEqual(['page/session']);
});
