/**
 * Gates on which every dynamic value depends, wherever in the run they are judged: torque from the
 * current and at the shaft agree, the stand resonates where its model says, the delays of the
 * channels are those of its model.
 */
export const DYNAMIC = ['agreement', 'resonance', 'timing'] as const;

/** Gates on which a value depends that is read off the torque at rest in frequency, where no delay counts. */
export const SPECTRAL = ['agreement', 'resonance'] as const;

/** Static values depend on the gates of their own stage, and on those that void the whole run. */
export const STATIC = [] as const;
