import { StallmarkError, type Problem } from '../../src/base/error.js';

/** The first problem of what is refused; fails where nothing is. */
export async function problemOf(act: Promise<unknown>): Promise<Problem> {
  try {
    await act;
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems[0];
    throw error;
  }
  throw new Error('nothing was refused');
}
