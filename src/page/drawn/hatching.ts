/** Distance of the strokes. */
const STEP = 4;

/**
 * Strokes at 45° inside a bar, cut at its edges, as a path: they survive a grey printer, a tint does not.
 *
 * @param left - Left edge, right edge and top in the units of the drawing.
 */
export function hatching(left: number, right: number, top: number, height: number): string {
  const strokes: string[] = [];
  for (let foot = Math.ceil((left - height) / STEP) * STEP; foot < right; foot += STEP) {
    const start = Math.max(left, foot);
    const end = Math.min(right, foot + height);
    if (end <= start) continue;
    const bottom = top + height;
    strokes.push(`M${start} ${bottom - (start - foot)}L${end} ${bottom - (end - foot)}`);
  }
  return strokes.join('');
}
