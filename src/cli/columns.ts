/**
 * Lays rows out in columns as wide as their longest cell, two spaces apart; the last is left ragged.
 *
 * @param right - Columns that are set to the right, as numbers are.
 */
export function columns(
  rows: readonly (readonly string[])[],
  right: readonly number[] = [],
): readonly string[] {
  const count = Math.max(0, ...rows.map((row) => row.length));
  const widths = Array.from({ length: count }, (_, i) =>
    Math.max(...rows.map((row) => (row[i] ?? '').length)),
  );
  return rows.map((row) =>
    row
      .map((cell, i) =>
        right.includes(i) ? cell.padStart(widths[i] ?? 0) : cell.padEnd(widths[i] ?? 0),
      )
      .join('  ')
      .trimEnd(),
  );
}
