// A device is not heard any more: no power, no network, or broken.
// Easily confused with: a device that sends seldom (its promise in SenML `ut`, its registered period or the
// gaps it has shown count, whichever is longest), a short break of the connection (a Last Will alone says no
// more than that: 2 min grace), a clock that jumps (what arrives says that it lives, whatever time it tells), and
// readings that come late (they fill the gap; what was said stands).
// A registered device that was never heard is silent once another device of the site has reported for 15 min.

import type { Site } from '@afterwatt/wire';
import { z } from 'zod';
import { ABSENT, defineDetector, type ThresholdValues, type Verdict } from '../detector.ts';
import type { Lags } from '../event.ts';
import type { SiteView } from '../site-view.ts';
import { clockText, PANEL_CAUTION, spanText } from '../wording.ts';

const MINUTE_MS = 60_000;
/** What arrived in the last minutes (lags, every 5 min) says that a device lives for so long. */
const ALIVE_MS = 6 * MINUTE_MS;
/** A lag or lead of more than this is another time. */
const OTHER_TIME_MS = MINUTE_MS;
/** Gaps remembered; their median is what the device usually leaves between readings. */
const GAPS = 7;

const THRESHOLDS = {
  periods: { default: 5, unit: 'count', min: 2, max: 100, source: 'common practice: four lost in a row' },
  leastMin: {
    default: 5,
    unit: 'min',
    min: 1,
    max: 1440,
    source: 'common practice: a router restarts within it',
  },
  willGraceMin: {
    default: 2,
    unit: 'min',
    min: 0,
    max: 60,
    source: 'common practice: a connection comes back within it',
  },
  neverHeardMin: {
    default: 15,
    unit: 'min',
    min: 1,
    max: 1440,
    source: 'common practice: both devices are switched on within it',
  },
} as const;
type Values = ThresholdValues<typeof THRESHOLDS>;

const schema = z.object({
  lastMs: z.number().nullable(),
  /** What the device last promised as its period (SenML `ut`), ms. */
  promisedMs: z.number().nullable(),
  /** The last gaps between its readings, ms, as a ring. */
  gapsMs: z.array(z.number()).max(GAPS),
  nextGap: z.number(),
  /** When its Last Will, or its own word that it goes, arrived; null while it is online. */
  offlineMs: z.number().nullable(),
  /** Until when something that arrived, of whatever time, says that it lives. */
  aliveUntilMs: z.number(),
  /** When another device of the site was first heard, while this one was not. */
  othersSinceMs: z.number().nullable(),
});

type State = z.infer<typeof schema>;

export const deviceSilent = defineDetector({
  kind: 'device-silent',
  thresholds: THRESHOLDS,
  wants: ['meter', 'battery', 'state', 'lags', 'deaf', 'tick'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: MINUTE_MS }),
  subjects: (site) => [site.meter.device, ...site.batteries.map((battery) => battery.device)],
  state: schema,
  start: () => ({
    lastMs: null,
    promisedMs: null,
    gapsMs: [],
    nextGap: 0,
    offlineMs: null,
    aliveUntilMs: 0,
    othersSinceMs: null,
  }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    switch (event.kind) {
      case 'meter':
      case 'battery':
        return hear(state, event.at, event.periodS);
      case 'state':
        if (event.device === subject && event.online === false) state.offlineMs ??= event.at;
        if (event.device === subject && event.online === true) state.offlineMs = null;
        return undefined;
      case 'lags':
        if (isOfAnotherTime(event, subject)) state.aliveUntilMs = view.nowMs + ALIVE_MS;
        return undefined;
      case 'deaf':
        // It has as long to come back as it had to be missed.
        state.aliveUntilMs = Math.max(state.aliveUntilMs, event.at + values.leastMin * MINUTE_MS);
        return undefined;
      case 'storm':
      case 'mended':
        return undefined;
      case 'tick':
        return judge(subject, state, event.at, view, values);
    }
  },
  words: ({ site, subject, facts }) => ({
    headline:
      facts['heard'] === true
        ? `${subject} has not been heard since ${clockText(Number(facts['lastMs']), site.timeZone)}.`
        : `${subject} is registered but has never been heard.`,
    explanation:
      facts['willed'] === true
        ? 'The broker reported that its connection broke, and it has not come back.'
        : `No reading for ${spanText(Number(facts['silentMs']))}: it has no power, no network, or it has failed. Nothing is known of what it watches meanwhile.`,
    steps: [
      "See whether the site's other devices are heard: if none is, it is the home's network or its power.",
      'Ask whether the router was changed, or its password.',
      facts['battery'] === true
        ? 'See whether the unit is switched on and shows its network as connected.'
        : 'Have the supply of the meter checked: it is fed from a breaker of its own or from the service.',
      'If it was never heard, check the device id it was registered with.',
    ],
    caution: facts['battery'] === true ? null : PANEL_CAUTION,
    homeowner: `We have not heard from your ${facts['battery'] === true ? 'battery' : 'meter'} for a day: check that your internet is on; if it is, your installer will be in touch.`,
  }),
});

/** What arrived was no news of the present: latecomers, or all of it ahead or behind. */
function isOfAnotherTime({ leastMs, late }: Lags, device: string): boolean {
  return (late[device] ?? 0) > 0 || Math.abs(leastMs[device] ?? 0) > OTHER_TIME_MS;
}

function hear(state: State, at: number, periodS: number | null): Verdict | undefined {
  const { lastMs } = state;
  if (periodS !== null && periodS > 0) state.promisedMs = periodS * 1000;
  if (lastMs !== null) {
    if (at <= lastMs) return undefined;
    state.gapsMs[state.nextGap] = at - lastMs;
    state.nextGap = (state.nextGap + 1) % GAPS;
  }
  state.lastMs = at;
  state.othersSinceMs = null;
  if (state.offlineMs !== null && at > state.offlineMs) state.offlineMs = null;
  return ABSENT;
}

/** When another device was heard in the last minute; null for none. */
function othersHeardMs(subject: string, { meter, newest, nowMs }: SiteView): number | null {
  for (const reading of [meter, ...newest]) {
    if (reading === null || reading.device === subject) continue;
    if (nowMs - reading.at <= MINUTE_MS) return reading.at;
  }
  return null;
}

/** The longest of what it promised or was registered with, and the median of the gaps it has shown. */
function usualGapMs(state: State, subject: string, site: Site): number {
  const battery = site.batteries.find((b) => b.device === subject);
  const registeredMs = 1000 * (battery?.periodSeconds ?? site.meter.periodSeconds);
  const sorted = state.gapsMs.toSorted((a, b) => a - b);
  const medianMs = sorted.length < GAPS ? 0 : (sorted[(GAPS - 1) / 2] ?? 0);
  return Math.max(state.promisedMs ?? registeredMs, medianMs);
}

function judge(
  subject: string,
  state: State,
  at: number,
  view: SiteView,
  values: Values,
): Verdict | undefined {
  if (state.lastMs === null) state.othersSinceMs ??= othersHeardMs(subject, view);
  const sinceMs = state.lastMs ?? state.othersSinceMs;
  if (sinceMs === null || at < state.aliveUntilMs) return undefined;
  const silentMs = at - sinceMs;
  const { offlineMs } = state;
  const willed = offlineMs !== null && at - offlineMs >= values.willGraceMin * MINUTE_MS;
  if (!willed && silentMs <= values.leastMin * MINUTE_MS) return undefined;

  const usualMs = usualGapMs(state, subject, view.site);
  const heard = state.lastMs !== null;
  const allowedMs = heard
    ? Math.max(values.leastMin * MINUTE_MS, values.periods * usualMs)
    : values.neverHeardMin * MINUTE_MS;
  if (!willed && silentMs <= allowedMs) return undefined;
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    facts: { lastMs: sinceMs, silentMs, heard, willed, battery: subject !== view.site.meter.device },
    evidence: () => ({
      fromMs: sinceMs - 60 * MINUTE_MS,
      toMs: at,
      series: [`${subject} rssi`, `${subject} seq`],
      figures: [
        heard
          ? {
              label: 'Last reading',
              value: clockText(sinceMs, view.site.timeZone),
              unit: '',
              source: `${subject} readings`,
            }
          : {
              label: 'Last reading',
              value: 'none since registration',
              unit: '',
              source: `${subject} readings`,
            },
        { label: 'Silent for', value: spanText(silentMs), unit: '', source: 'device time' },
        {
          label: 'Usual time between readings',
          value: usualMs / 1000,
          unit: 's',
          source: 'SenML ut, registration or the last readings, the longest of them',
        },
        ...(willed
          ? [{ label: 'Connection', value: 'lost', unit: '', source: `${subject} state: online false` }]
          : []),
      ],
    }),
  };
}
