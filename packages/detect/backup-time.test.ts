// How long energy lasts, against a worked example: t = E (soc - floor) / (P / efficiency + idle), 5.12 kWh from 90
// to 10 % at 400 W, efficiency 0.92, idle 15 W: 4096 Wh / 449.8 W = 9.11 h.

import { describe, expect, it } from 'vitest';
import { cellDrainW, HORIZON_MS, lastsMs } from './backup-time.ts';

const flat = (value: number) => () => value;

describe('how long energy lasts', () => {
  it('agrees with the worked example', () => {
    expect(lastsMs(4096, 0, flat(cellDrainW(400, 0))) / 3_600_000).toBeCloseTo(9.11, 2);
  });

  it('follows a load that changes', () => {
    // 1 kW for an hour, then 500 W: 1500 Wh last 2 h.
    expect(lastsMs(1500, 0, (at) => (at < 3_600_000 ? 1000 : 500))).toBe(7_200_000);
  });

  it('has an end, and a horizon', () => {
    expect(lastsMs(0, 0, flat(100))).toBe(0);
    expect(lastsMs(100, 0, flat(0))).toBe(HORIZON_MS);
  });
});
