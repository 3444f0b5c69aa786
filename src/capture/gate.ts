/** Whom a gate points at when it does not hold. */
export type Blame = 'item' | 'stand' | 'link' | 'operator';

/** One condition under which a measurement means something. Recorded whether it holds or not. */
export interface Gate {
  /** Name for people, e.g. "converter clip". */
  readonly name: string;
  /** The stage it was read on, or "run" when it concerns every result. */
  readonly scope: string;
  readonly holds: boolean;
  /** What was found and what is allowed, in `unit`. */
  readonly observed: number;
  readonly allowed: number;
  readonly unit: string;
  readonly blames: Blame;
  /** One sentence for the operator, with numbers. */
  readonly evidence: string;
}
