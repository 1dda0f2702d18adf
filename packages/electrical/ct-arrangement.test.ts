// What misplaced current transformers make of the true leg powers, against the phasor table of a 180-degree pair.
import { describe, expect, it } from 'vitest';
import { type Clamp, CT_ARRANGEMENTS, clampPowerW, clampSign } from './ct-arrangement.ts';

const P1 = 1000;
const P2 = 300;

/** Active power from instantaneous values over one cycle: the definition in IEEE 1459, no sign rule in it. */
function sampledPowerW(channel: 'L1' | 'L2', clamp: Clamp): number {
  const samples = 720;
  let sum = 0;
  for (let k = 0; k < samples; k++) {
    const wave = Math.SQRT2 * Math.sin((2 * Math.PI * k) / samples);
    const voltage = { L1: 120 * wave, L2: -120 * wave }[channel];
    const current = { L1: (P1 / 120) * wave, L2: -(P2 / 120) * wave }[clamp.onLeg];
    sum += voltage * current * (clamp.reversed ? -1 : 1);
  }
  return sum / samples;
}

describe('the eight arrangements', () => {
  it.each([
    { name: 'in-place', l1W: P1, l2W: P2 },
    { name: 'l1-reversed', l1W: -P1, l2W: P2 },
    { name: 'l2-reversed', l1W: P1, l2W: -P2 },
    { name: 'both-reversed', l1W: -P1, l2W: -P2 },
    { name: 'swapped', l1W: -P2, l2W: -P1 },
    { name: 'swapped-l1-reversed', l1W: P2, l2W: -P1 },
    { name: 'swapped-l2-reversed', l1W: -P2, l2W: P1 },
    { name: 'swapped-both-reversed', l1W: P2, l2W: P1 },
  ])('$name reads $l1W W and $l2W W', ({ name, l1W, l2W }) => {
    const found = CT_ARRANGEMENTS.find((arrangement) => arrangement.name === name);
    if (found === undefined) throw new Error(`no arrangement ${name}`);
    const trueW = { L1: P1, L2: P2 };
    expect(clampPowerW('L1', found.l1, trueW[found.l1.onLeg], 120, 120)).toBeCloseTo(l1W, 9);
    expect(clampPowerW('L2', found.l2, trueW[found.l2.onLeg], 120, 120)).toBeCloseTo(l2W, 9);
    expect(sampledPowerW('L1', found.l1)).toBeCloseTo(l1W, 6);
    expect(sampledPowerW('L2', found.l2)).toBeCloseTo(l2W, 6);
  });
});

it('both clamps on one leg nearly cancel in the sum', () => {
  const onL2: Clamp = { onLeg: 'L2', reversed: false };
  const sum = clampPowerW('L1', onL2, P2, 120, 120) + clampPowerW('L2', onL2, P2, 120, 120);
  expect(sum).toBe(0);
});

it('a clamp on the other leg reads that current against its own leg voltage', () => {
  // 300 W at 118 V is 2.542 A; against 122 V it shows 310.2 W, turned.
  expect(clampPowerW('L1', { onLeg: 'L2', reversed: false }, 300, 122, 118)).toBeCloseTo(-310.17, 2);
});

it('a wrong leg and a reversed arrow give the same sign, so one channel alone cannot tell them apart', () => {
  expect(clampSign('L1', { onLeg: 'L2', reversed: false })).toBe(
    clampSign('L1', { onLeg: 'L1', reversed: true }),
  );
});
