// A device's radio is so weak that its connection hangs by a thread: the next door that is shut cuts it off.
// Easily confused with: a dip while somebody stands in the way (an hour's median), and noise about the limit
// (deadband). Source: -75 dBm: common practice for a dependable link at 2.4 GHz.

import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { rounded } from '../wording.ts';

const QUARTER_MS = 15 * 60_000;
const QUARTERS = 4;
/** With fewer readings a quarter of an hour says nothing. */
const LEAST_READINGS = 3;
const READINGS = 0;
const WEAK = 1;
const FAIR = 2;
const SUM_DBM = 3;

/** Readings, weak ones, fair ones, and their sum in dBm. */
const quarterSchema = z.tuple([z.number(), z.number(), z.number(), z.number()]);
const schema = z.object({ quarter: z.number(), quarters: z.array(quarterSchema).max(QUARTERS + 1) });
type State = z.infer<typeof schema>;

export const radioWeak = defineDetector({
  kind: 'radio-weak',
  thresholds: {
    weakDbm: {
      default: -75,
      unit: 'dBm',
      min: -120,
      max: -20,
      source: 'common practice: dependable link at 2.4 GHz',
    },
    deadbandDb: { default: 3, unit: 'dB', min: 0, max: 20, source: 'common practice: half the power' },
  },
  wants: ['meter', 'battery'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: 0 }),
  subjects: (site) => [site.meter.device, ...site.batteries.map((battery) => battery.device)],
  state: schema,
  start: () => ({ quarter: 0, quarters: [] }),
  observe(event, { subject, state, values }): Verdict | undefined {
    if (event.kind !== 'meter' && event.kind !== 'battery') return undefined;
    const { at, rssiDbm } = event;
    if (rssiDbm === null) return undefined;
    const quarter = Math.floor(at / QUARTER_MS);
    const turned = quarter > state.quarter;
    if (turned) {
      // An hour in which a quarter was not heard is no hour.
      if (quarter > state.quarter + 1) state.quarters = [];
      state.quarters.push([0, 0, 0, 0]);
      if (state.quarters.length > QUARTERS + 1) state.quarters.shift();
      state.quarter = quarter;
    }
    const now = state.quarters.at(-1);
    if (now === undefined) return undefined;
    now[READINGS] += 1;
    now[SUM_DBM] += rssiDbm;
    if (rssiDbm < values.weakDbm) now[WEAK] += 1;
    if (rssiDbm >= values.weakDbm + values.deadbandDb) now[FAIR] += 1;
    if (!turned || state.quarters.length <= QUARTERS) return undefined;
    return judge(subject, state, values.weakDbm, at);
  },
  words: ({ subject, facts }) => ({
    headline: `The radio of ${subject} is weak: about ${facts['meanDbm']} dBm over an hour.`,
    explanation: `For an hour its median lay below ${facts['weakDbm']} dBm. It is still heard, but little is missing until it is not.`,
    steps: [
      'Ask whether the access point was moved or replaced, or something metallic stands in the way.',
      'Move the access point or add one nearer to the device; 2.4 GHz reaches farther than 5 GHz.',
      'Where the device takes an external antenna, place it outside the metal enclosure.',
    ],
    caution:
      'An antenna of a device inside a panel is placed by a licensed electrician under the local code: the line side stays live with the main open.',
    homeowner: null,
  }),
});

/** The hour before the quarter that has just begun. */
function judge(subject: string, { quarter, quarters }: State, weakDbm: number, at: number): Verdict {
  const hour = quarters.slice(0, QUARTERS);
  if (hour.some((each) => each[READINGS] < LEAST_READINGS)) return { is: 'unknown', why: 'too few readings' };
  const readings = total(hour, READINGS);
  // The median lies on the side on which more than half of the readings lie.
  if (2 * total(hour, FAIR) > readings) return ABSENT;
  if (2 * total(hour, WEAK) <= readings) return { is: 'unknown', why: 'within the deadband' };
  const meanDbm = rounded(total(hour, SUM_DBM) / readings);
  const weakPct = rounded((100 * total(hour, WEAK)) / readings);
  return {
    is: 'present',
    sinceMs: (quarter - QUARTERS) * QUARTER_MS,
    confidence: 1,
    facts: { meanDbm, weakDbm },
    evidence: () => ({
      fromMs: (quarter - 2 * QUARTERS) * QUARTER_MS,
      toMs: at,
      series: [`${subject} rssi`],
      figures: [
        { label: 'Mean over an hour', value: meanDbm, unit: 'dBm', source: `${subject} rssi` },
        { label: 'Readings below the limit', value: weakPct, unit: '%', source: `${subject} rssi` },
        {
          label: 'Limit for the median',
          value: weakDbm,
          unit: 'dBm',
          source: 'threshold: common practice',
        },
      ],
    }),
  };
}

function total(quarters: State['quarters'], of: 0 | 1 | 2 | 3): number {
  return quarters.reduce((sum, each) => sum + each[of], 0);
}
