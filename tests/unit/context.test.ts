import { expect, test } from 'vitest';
import type { Stage } from '../../src/procedure/procedure.js';
import { DEFAULT_FOLDERS, readDocuments } from '../../src/run/documents.js';
import { CHARACTERISTICS } from '../../src/scoring/catalogue.js';
import { advanceContext, startContext, tellsLater } from '../../src/scoring/context.js';
import type { Screened, Capture } from '../../src/capture/capture.js';

const { procedures, stations } = readDocuments(DEFAULT_FOLDERS);
const procedure = procedures.find(({ id }) => id === 'h12-acceptance');
const [station] = stations;
if (procedure === undefined || station === undefined) throw new Error('no documents are shipped');
const start = startContext(procedure, station);
const where = { file: 'x.yaml', line: 1, column: 1 };
const [like] = procedure.stages;
const energized: Stage = { ...like, power: 'on', takes: [{ smoothing: 0, fixture: 'coupled' }] };
// Nothing is read off a capture while power is on.
const capture = { stage: like.id, takes: [] } as unknown as Screened<Capture>;

for (const { id, side } of CHARACTERISTICS) {
  const stage = { ...energized, reads: [{ characteristic: id, options: {}, where }] };
  const scores = [
    {
      stage: like.id,
      characteristic: id,
      side,
      outcome: { kind: 'measured', value: 0.61 } as const,
    },
  ];
  const changes =
    JSON.stringify(advanceContext(start, stage, capture, scores)) !== JSON.stringify(start);
  test(`${id} ${changes ? 'tells later stages something, and says so' : 'tells nobody'}`, () => {
    expect(tellsLater(stage)).toBe(changes);
  });
}

test('the zero stage tells later ones its zero, the closing one does not', () => {
  const told = procedure.stages.filter((stage) => stage.power === 'off' && tellsLater(stage));
  expect(told.map(({ id }) => id)).toEqual(['zero']);
});
