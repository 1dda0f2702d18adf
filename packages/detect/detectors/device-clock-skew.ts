// A device's clock is wrong: everything it says carries the wrong time, so that its steps match nothing, its
// schedule runs at other hours, and its readings come out of order. How it is known: models/device-clocks.ts.

import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { clockOffset } from '../models/device-clocks.ts';
import { rounded, spanText } from '../wording.ts';

const MINUTE_MS = 60_000;
/** It is right again below this share of what is allowed: a measured offset wanders by seconds. */
const CLEARS_SHARE = 0.8;

export const deviceClockSkew = defineDetector({
  kind: 'device-clock-skew',
  thresholds: {
    skewS: {
      default: 30,
      unit: 's',
      min: 21,
      max: 86_400,
      source: 'common practice: network time keeps within a second, a free clock loses this in weeks',
    },
  },
  wants: ['lags', 'state', 'tick'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: MINUTE_MS }),
  subjects: (site) => [site.meter.device, ...site.batteries.map((battery) => battery.device)],
  state: z.object({ sinceMs: z.number().nullable() }),
  start: () => ({ sinceMs: null }),
  observe(_event, { subject, state, view, values }): Verdict | undefined {
    const offset = clockOffset(view.deviceClocks, subject);
    // Before the site's first reading there is no time of its own at which it could be told.
    if (offset === undefined || view.nowMs === 0) return undefined;
    const { offsetMs, witness } = offset;
    const offS = Math.abs(offsetMs) / 1000;
    if (offS <= values.skewS) {
      if (state.sinceMs !== null && offS > CLEARS_SHARE * values.skewS)
        return { is: 'unknown', why: 'within the deadband' };
      state.sinceMs = null;
      return ABSENT;
    }
    state.sinceMs ??= view.nowMs;
    const { sinceMs } = state;
    const toMs = view.nowMs;
    return {
      is: 'present',
      sinceMs,
      confidence: witness === 'steps of battery and meter' ? 0.8 : 1,
      facts: { offsetMs, witness },
      evidence: () => ({
        fromMs: sinceMs - 30 * MINUTE_MS,
        toMs,
        series: [`${subject} seq`],
        figures: [
          {
            label: offsetMs > 0 ? 'Its clock is ahead by' : 'Its clock is behind by',
            value: rounded(Math.abs(offsetMs) / 1000),
            unit: 's',
            source: witness,
          },
          { label: 'Allowed', value: values.skewS, unit: 's', source: 'threshold: common practice' },
        ],
      }),
    };
  },
  words: ({ subject, facts }) => {
    const offsetMs = Number(facts['offsetMs']);
    return {
      headline: `The clock of ${subject} is ${spanText(Math.abs(offsetMs))} ${offsetMs > 0 ? 'ahead' : 'behind'}.`,
      explanation: `Known from ${facts['witness']}. Its readings carry the wrong time: the wiring cannot be proven with them, and what it does by the clock it does at the wrong hour.`,
      steps: [
        'Switch its network time on, or see whether the router lets it through (NTP, UDP port 123).',
        'If the offset is whole hours, compare its time zone and daylight saving setting.',
        'A clock that drifts again after that wants a new buffer battery or a new unit.',
      ],
      caution: null,
      homeowner: null,
    };
  },
});
