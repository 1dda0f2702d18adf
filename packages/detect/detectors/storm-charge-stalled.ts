// A storm is coming, the grid is still there, the battery is below its target, and it does not charge.
// Easily confused with: a battery that is full or in the taper that ends every charge (its power falls to a
// tenth), an outage that has begun, an alert that was cancelled, has expired or has reached its onset, a pause
// of a minute between two stages of a charge, a battery that feeds the house (storm-discharging says so), and one
// that goes on after it was told, and stops again by turns: it is late, and storm-charge-behind says so.
// Thresholds: on-delay from the charge plan's own period; taper from 90 % (LiFePO4, common practice).

import { powerFraction } from '@afterwatt/storm';
import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { expectedText, NOT_SAID, PANEL_CAUTION, rounded, spanText } from '../wording.ts';

const MINUTE_MS = 60_000;
/** What it did before so long a silence says nothing of what it did in it. */
const SILENCE_MS = 15 * MINUTE_MS;

const schema = z.object({
  lastMs: z.number(),
  /** Since when it neither charges nor feeds with the grid there; null while it does. */
  idleSinceMs: z.number().nullable(),
  /** Since when it has charged again, while that is too short to say so. */
  chargingSinceMs: z.number().nullable(),
  /** It has stood still for long enough to be told, in this preparation. */
  wasTold: z.boolean(),
  /** ... and has charged since for long enough to be judged by its rate. */
  takesTurns: z.boolean(),
});

export const stormChargeStalled = defineDetector({
  kind: 'storm-charge-stalled',
  thresholds: {
    onDelayMin: {
      default: 10,
      unit: 'min',
      min: 1,
      max: 240,
      source: 'common practice: two dispatch periods',
    },
    chargingW: {
      default: 50,
      unit: 'W',
      min: 10,
      max: 1000,
      source: 'common practice: above standby draw; falls with the taper from 90 % on',
    },
    nearTargetPct: {
      default: 4,
      unit: '%EL',
      min: 0,
      max: 20,
      source: 'common practice: a unit that was full tops up only some points below it',
    },
    turnsMin: {
      default: 30,
      unit: 'min',
      min: 1,
      max: 720,
      source: 'own judgement: longer than the pauses of a unit that charges by turns',
    },
    resumedS: { default: 30, unit: 's', min: 0, max: 600, source: 'common practice: three battery readings' },
  },
  wants: ['battery', 'storm', 'tick'],
  readingsOf: (device) => [device],
  delays: (values) => ({ onDelayMs: values.onDelayMin * MINUTE_MS, offDelayMs: 2 * MINUTE_MS }),
  subjects: (site) => site.batteries.map((battery) => battery.device),
  state: schema,
  start: () => ({
    lastMs: 0,
    idleSinceMs: null,
    chargingSinceMs: null,
    wasTold: false,
    takesTurns: false,
  }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    const { open } = view.storm;
    if (open === null) {
      state.wasTold = false;
      state.takesTurns = false;
    }
    if (event.kind !== 'battery') return open === null ? ABSENT : undefined;
    const { at, socPct, acW } = event;
    if (at - state.lastMs > SILENCE_MS) state.idleSinceMs = null;
    state.lastMs = Math.max(at, state.lastMs);
    if (view.grid.present === false || event.gridPresent === false) {
      state.idleSinceMs = null;
      state.chargingSinceMs = null;
      return ABSENT;
    }
    if (acW === null || socPct === null) return { is: 'unknown', why: 'no power or no state of charge' };
    // What the sun puts into the cells is charge as well.
    if (Math.max(Math.abs(acW), acW + (event.pvW ?? 0)) >= values.chargingW * powerFraction(socPct)) {
      state.chargingSinceMs ??= at;
      if (at - state.chargingSinceMs < values.resumedS * 1000) return { is: 'unknown', why: 'just resumed' };
      state.idleSinceMs = null;
      state.takesTurns ||= state.wasTold && at - state.chargingSinceMs >= values.onDelayMin * MINUTE_MS;
      return ABSENT;
    }
    state.chargingSinceMs = null;
    state.idleSinceMs ??= at;

    const { targetPct } = view.site.storm;
    if (open === null || at >= open.untilMs || socPct >= targetPct - values.nearTargetPct) return ABSENT;
    // A unit is not behind before the alert was known.
    const sinceMs = Math.max(state.idleSinceMs, open.sinceMs, open.knownMs);
    if (state.takesTurns && at - sinceMs < values.turnsMin * MINUTE_MS)
      return { is: 'unknown', why: 'a pause between two turns' };
    state.wasTold ||= at - sinceMs >= values.onDelayMin * MINUTE_MS;
    return {
      is: 'present',
      sinceMs,
      confidence: 1,
      facts: {
        socPct: rounded(socPct, 1),
        targetPct,
        event: open.event,
        idleMs: Math.max(0, at - sinceMs),
        onsetMs: open.onsetMs ?? NOT_SAID,
      },
      evidence: () => ({
        fromMs: sinceMs - 30 * MINUTE_MS,
        toMs: at,
        series: [`${subject} ac.p`, `${subject} soc`],
        figures: [
          { label: 'State of charge', value: rounded(socPct, 1), unit: '%', source: `${subject} soc` },
          { label: 'Target', value: targetPct, unit: '%', source: 'site registration' },
          { label: 'Charging power', value: rounded(acW), unit: 'W', source: `${subject} ac.p` },
          {
            label: 'Charging limit',
            value: event.limitW ?? 'not known',
            unit: 'W',
            source: `${subject} limit`,
          },
          { label: 'Alert', value: open.event, unit: '', source: 'CAP 1.2 alert in force' },
          {
            label: 'Expected',
            value: expectedText(open.onsetMs ?? NOT_SAID, view.site.timeZone),
            unit: '',
            source: 'CAP 1.2 onset',
          },
        ],
      }),
    };
  },
  words: ({ site, subject, facts }) => {
    const expected = expectedText(Number(facts['onsetMs']), site.timeZone);
    return {
      headline: `${subject} stands at ${facts['socPct']} % and does not charge, though ${facts['event']} is expected ${expected}.`,
      explanation: `An alert is in force for this site and the grid is there, but the battery has taken no charge for ${spanText(Number(facts['idleMs']))}; its target is ${facts['targetPct']} %.`,
      steps: [
        'Start a charge from the unit or its remote control and watch that the power rises.',
        "See whether the unit's charging limit is set to nothing, or a schedule holds it back.",
        'See whether the unit reports a fault or is too hot or too cold to charge.',
        'If the unit sees no voltage, have the inlet circuit checked.',
      ],
      caution: PANEL_CAUTION,
      homeowner: `${facts['event']} is expected ${expected} and your battery has stopped charging at ${facts['socPct']} %; your installer has been told.`,
    };
  },
});
