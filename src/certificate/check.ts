/**
 * What was found by one check.
 *
 * - `holds`: it is as it should be.
 * - `broken`: it is not; the record must not be relied on.
 * - `open`: it could not be judged, and the sentence says what is missing.
 */
export interface Check {
  /** What was checked, e.g. "table: seal". */
  readonly name: string;
  readonly outcome: 'holds' | 'broken' | 'open';
  /** One kind of finding, one code, e.g. csv/changed. */
  readonly finding: string;
  /** One sentence with its evidence. */
  readonly sentence: string;
}
