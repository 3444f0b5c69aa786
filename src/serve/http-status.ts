import { CODES, type ErrorCode, type ExitName } from '../base/codes.js';
import type { Problem } from '../base/error.js';

const BY_CODE: Readonly<Partial<Record<ErrorCode, number>>> = {
  'page/host': 421,
  'page/origin': 403,
  'page/token': 403,
  'page/session': 401,
  'page/remote': 403,
  'page/request': 400,
  'page/unknown': 404,
  'page/busy': 503,
  'page/held': 409,
  'page/not-now': 409,
  'people/log-in': 403,
  'people/locked': 403,
  'people/stated': 403,
  'people/role': 403,
};

const BY_EXIT: Readonly<Record<ExitName, number>> = {
  conforming: 200,
  nonconforming: 409,
  held: 409,
  usage: 400,
  document: 422,
  bench: 409,
  defect: 500,
  storage: 503,
  stopped: 409,
};

/** The HTTP status that goes with the first of several problems. Source: RFC 9110, clause 15. */
export function statusOf([first]: readonly [Problem, ...Problem[]]): number {
  return BY_CODE[first.code] ?? BY_EXIT[CODES[first.code][0]];
}
