import { test } from 'vitest';
import { pooledScatter } from '../../src/scoring/plateau.js';
import { expectClose, rowsOf, type Row } from '../support/rows.js';

const row = rowsOf('repeatability');

test('F-16: scatter pooled over groups is the certified residual deviation of the one-way analysis', () => {
  const { inputs, expected, tolerance } = row('F-16') as Row<
    { groups: Record<string, number[]> },
    { df_within: number; sd_within: number }
  >;
  // Each group stands for the steps from one level to one other.
  const edges = Object.entries(inputs.groups).flatMap(([group, changes]) =>
    changes.map((change) => ({ from: 0, to: Number(group), change })),
  );
  const found = pooledScatter(edges);
  expectClose([found?.deviation ?? NaN], [expected.sd_within], tolerance);
  expectClose([found?.freedom ?? NaN], [expected.df_within], tolerance);
});
