/** Samples at a uniform rate, in the unit their channel names. */
export type Samples = Float32Array | Float64Array;

/** At least one. */
export type NonEmpty<T> = readonly [T, ...T[]];

/** Narrows a list to one with at least one member. */
export function isNonEmpty<T>(list: readonly T[]): list is NonEmpty<T> {
  return list.length > 0;
}
