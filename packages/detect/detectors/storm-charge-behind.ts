// A storm is coming and the battery charges, but too slowly to be full when it comes; or no charge that the
// inlet allows could fill it in the time that is left.
// Easily confused with: a charge that has only begun, the taper that ends every charge (the plan reckons with
// it), a battery that does not charge at all (storm-charge-stalled) or feeds (storm-discharging), and an alert
// without an onset, which nothing can be late for.

import { type ChargePlan, planCharge, powerFraction } from '@afterwatt/storm';
import type { BatteryReading, SiteBattery } from '@afterwatt/wire';
import { z } from 'zod';
import { batteryOf } from '../backup-time.ts';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { legVolts } from '../models/inlet-load.ts';
import { type OpenPreparation, TURNS_MS } from '../models/storm-preparation.ts';
import type { SiteView } from '../site-view.ts';
import { clockText, rounded } from '../wording.ts';

const MINUTE_MS = 60_000;
/** Time constant of the measured charging power. */
const SMOOTHING_MS = 5 * MINUTE_MS;

const schema = z.object({
  /** Since when it charges; null while it does not. */
  chargingSinceMs: z.number().nullable(),
  lastMs: z.number(),
  /** Mean charging power, reckoned back to what it is before the taper, W. */
  meanW: z.number(),
  behindSinceMs: z.number().nullable(),
});

export const stormChargeBehind = defineDetector({
  kind: 'storm-charge-behind',
  thresholds: {
    onDelayMin: {
      default: 10,
      unit: 'min',
      min: 1,
      max: 240,
      source: 'common practice: two dispatch periods',
    },
    shortPct: {
      default: 4,
      unit: '%EL',
      min: 1,
      max: 50,
      source: 'common practice: a gauge and a plan are no more exact',
    },
    chargingW: { default: 50, unit: 'W', min: 10, max: 1000, source: 'common practice: above standby draw' },
  },
  wants: ['battery', 'storm', 'tick'],
  readingsOf: (device) => [device],
  delays: (values) => ({ onDelayMs: values.onDelayMin * MINUTE_MS, offDelayMs: TURNS_MS }),
  subjects: (site) => site.batteries.map((battery) => battery.device),
  state: schema,
  start: () => ({ chargingSinceMs: null, lastMs: 0, meanW: 0, behindSinceMs: null }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    const { open } = view.storm;
    if (open === null || open.onsetMs === null) return ABSENT;
    if (event.kind !== 'battery') return undefined;
    const { at, socPct, acW } = event;
    if (view.grid.present === false || event.gridPresent === false || at >= open.untilMs) return ABSENT;
    if (socPct === null || acW === null) return { is: 'unknown', why: 'no power or no state of charge' };
    const { targetPct } = view.site.storm;
    if (socPct >= targetPct - values.shortPct) return ABSENT;

    const battery = batteryOf(view.site, subject);
    const best = planFor(event, battery, view, open.onsetMs, null);
    const impossible = (best.socAtOnsetPct ?? targetPct) < targetPct - values.shortPct;
    const charging = intoCellsW(event) >= values.chargingW * powerFraction(socPct);
    noteCharge(state, event, charging);
    if (!impossible && state.chargingSinceMs === null) return { is: 'unknown', why: 'not charging' };

    const measured = planFor(event, battery, view, open.onsetMs, state.meanW * powerFraction(socPct));
    const reachedPct =
      (impossible && state.chargingSinceMs === null ? best : measured).socAtOnsetPct ?? targetPct;
    if (!impossible && reachedPct >= targetPct - values.shortPct / 2) {
      state.behindSinceMs = null;
      return ABSENT;
    }
    if (!impossible && reachedPct >= targetPct - values.shortPct)
      return { is: 'unknown', why: 'just in time' };
    state.behindSinceMs ??= at;
    return present(subject, view, open, state.behindSinceMs, {
      at,
      socPct,
      reachedPct,
      impossible,
      meanW: state.chargingSinceMs === null ? 0 : state.meanW,
      plan: measured,
      best,
    });
  },
  words: ({ site, subject, facts }) => {
    const onset = clockText(Number(facts['onsetMs']), site.timeZone);
    const { reachedPct, targetPct, event } = facts;
    const slow = {
      headline: `${subject} charges too slowly: it will be at ${reachedPct} % instead of ${targetPct} % when ${event} comes, ${onset}.`,
      explanation: `It charges with ${facts['chargeW']} W; the inlet and its own limit allow ${facts['allowedW']} W, with which it can still be full in time.`,
    };
    const late = {
      headline: `${subject} cannot be charged to ${targetPct} % before ${event} comes, ${onset}: it will be at about ${reachedPct} %.`,
      explanation: `Even with all that the inlet and its own limit allow, ${facts['allowedW']} W, the time that is left is too short.`,
    };
    return {
      ...(facts['impossible'] === true ? late : slow),
      steps: [
        "Raise the unit's charging limit as far as the inlet's cap allows, and not beyond it.",
        'Suspend schedules that hold the charge back.',
        'Tell the homeowner how far the charge will reach, and what that carries.',
      ],
      caution: 'Never raise the charging above the cap of the inlet circuit to save time.',
      homeowner: `${event} is expected ${onset} and your battery will be at about ${reachedPct} % by then, not ${targetPct} %. Plan for less.`,
    };
  },
});

type State = z.infer<typeof schema>;

/** What charges the cells, from the port and from the sun, W. */
function intoCellsW({ acW, pvW }: BatteryReading): number {
  return (acW ?? 0) + (pvW ?? 0);
}

function noteCharge(state: State, reading: BatteryReading, charging: boolean): void {
  const { at, socPct } = reading;
  const powerW = intoCellsW(reading) / powerFraction(socPct ?? 0);
  const stepMs = at - state.lastMs;
  state.lastMs = at;
  if (!charging) {
    state.chargingSinceMs = null;
    state.behindSinceMs = null;
    return;
  }
  if (state.chargingSinceMs === null) {
    state.chargingSinceMs = at;
    state.meanW = powerW;
    return;
  }
  if (stepMs <= 0) return;
  const overMs = Math.max(stepMs, Math.min(at - state.chargingSinceMs, SMOOTHING_MS));
  state.meanW += (powerW - state.meanW) * (stepMs / overMs);
}

/** @param measuredW charging power, or null for the most that is allowed */
function planFor(
  { at, socPct }: BatteryReading,
  battery: SiteBattery,
  view: SiteView,
  onsetMs: number,
  measuredW: number | null,
): ChargePlan {
  const { inlets, batteries, storm, service } = view.site;
  const inlet = inlets.find(({ number }) => number === battery.inlet);
  const onInlet = batteries.filter((b) => b.inlet === battery.inlet);
  const share = battery.chargeLimitWatts / onInlet.reduce((sum, b) => sum + b.chargeLimitWatts, 0);
  return planCharge({
    atMs: at,
    onsetMs,
    socPct: socPct ?? 0,
    targetPct: storm.targetPct,
    capacityWh: battery.capacityWh,
    chargeLimitWatts: battery.chargeLimitWatts,
    capWatts: share * (inlet?.capWatts ?? battery.chargeLimitWatts),
    capAmps: share * (inlet?.capAmps ?? battery.chargeLimitWatts / service.nominalVolts),
    legVolts: inlet === undefined ? service.nominalVolts : legVolts(view, inlet),
    measuredW,
  });
}

interface Shortfall {
  readonly at: number;
  readonly socPct: number;
  readonly reachedPct: number;
  readonly impossible: boolean;
  readonly meanW: number;
  readonly plan: ChargePlan;
  readonly best: ChargePlan;
}

function present(
  subject: string,
  view: SiteView,
  open: OpenPreparation,
  sinceMs: number,
  { at, socPct, reachedPct, impossible, meanW, plan, best }: Shortfall,
): Verdict {
  const { targetPct } = view.site.storm;
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    atOnce: impossible,
    facts: {
      reachedPct: rounded(reachedPct),
      targetPct,
      event: open.event,
      onsetMs: open.onsetMs ?? 0,
      chargeW: rounded(meanW),
      allowedW: rounded(best.powerW),
      impossible,
    },
    evidence: () => ({
      fromMs: sinceMs - 30 * MINUTE_MS,
      toMs: at,
      series: [`${subject} ac.p`, `${subject} soc`],
      figures: [
        { label: 'State of charge', value: rounded(socPct, 1), unit: '%', source: `${subject} soc` },
        { label: 'Target', value: targetPct, unit: '%', source: 'site registration' },
        {
          label: 'At the onset',
          value: rounded(reachedPct),
          unit: '%',
          source: 'charge plan at the measured rate',
        },
        { label: 'Measured charging power', value: rounded(meanW), unit: 'W', source: `${subject} ac.p` },
        {
          label: 'Allowed charging power',
          value: rounded(best.powerW),
          unit: 'W',
          source: 'least of charging limit, inlet cap in W, inlet cap in A times leg voltage',
        },
        { label: 'Energy still to take', value: rounded(best.energyWh), unit: 'Wh', source: 'charge plan' },
        {
          label: 'Target reached',
          value: plan.arrivalMs === null ? 'never' : clockText(plan.arrivalMs, view.site.timeZone),
          unit: '',
          source: 'charge plan at the measured rate',
        },
        {
          label: 'Storm expected',
          value: clockText(open.onsetMs ?? 0, view.site.timeZone),
          unit: '',
          source: 'CAP 1.2 onset',
        },
      ],
    }),
  };
}
