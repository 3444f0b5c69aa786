import { expect, test } from 'vitest';
import { HOSTILE_LINKS, hostileCampaign } from '../support/hostile-campaign.js';

const FEW = 150;

for (const link of HOSTILE_LINKS) {
  test(`${link}: ${FEW} mutated frames or replies crash nothing, hang nothing and move nothing`, async () => {
    const { cases, findings, codes } = await hostileCampaign(link, FEW);
    expect(findings).toEqual({});
    expect(cases).toBeGreaterThanOrEqual(FEW);
    expect(Object.keys(codes).length).toBeGreaterThan(1); // and mutation did matter
  });
}
