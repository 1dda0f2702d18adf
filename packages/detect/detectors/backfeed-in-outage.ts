// The grid is away and power flows from the inlet into the panel. Nothing opens between panel and service, so
// it goes on through the main breaker to the street, where the transformer makes thousands of volts of it on a
// line that those who mend it take for dead. This is why NEC 702.5 (from memory) asks for transfer equipment
// or an interlock.
// Judged at the inlet, by the meter: a battery may well feed in an outage, but to its own outlets or to a
// backed-up circuit, and then its AC port shows power and the inlet shows none. A clamp that sits backwards is
// known by the battery's own sign; one without signal by the live leg, which only the battery can feed.
// Easily confused with: a `grid` flag that flickers, or that is late by a reading when the grid returns and the
// battery feeds again as it may. So a first flag is believed only where the meter agrees (the leg that the
// inlet is not on is dead, or the flow began with the outage: no schedule starts in the very seconds in which a
// flag flickers); without that, when two say so during the flow.

import type { BatteryReading, MeterReading, SiteInlet } from '@afterwatt/wire';
import { z } from 'zod';
import { ABSENT, defineDetector, type Facts, type Verdict, type Words } from '../detector.ts';
import { holdSchema, observeHold, startHold } from '../hold.ts';
import { emptyCircuitLoad, inletNamed, inletSubject, measureBatteries } from '../models/inlet-load.ts';
import type { SiteView } from '../site-view.ts';
import { rounded } from '../wording.ts';

const MINUTE_MS = 60_000;
/** A leg below this share of nominal is not fed by the grid (IEEE 1159-2009: interruption, below 0.1; with room for stray feed). */
const DEAD_LEG_PU = 0.5;
/** Flags during the flow that are believed without the meter. */
const FLAGS_BELIEVED = 2;
/** Clocks of meter and battery differ by no more (common practice): so near to each other two things began together. */
const CLOCKS_MS = 5000;
/** An older reading of the meter says nothing of the flow at hand. */
const FLOW_STALE_MS = 30_000;
/** The least above the limit that is above it. */
const ABOVE = 1 + 1e-9;

const stateSchema = z.object({
  /** Flow toward the panel as a share of the limit. */
  flow: holdSchema,
  feedsW: z.number(),
  peakW: z.number(),
  /** Battery readings in a row that say the grid is away, and those of them that came during the present flow. */
  awayFlags: z.number(),
  flagsInFlow: z.number(),
  /** Device time of the newest that says it is there, 0 for none; and of the first of those since then that do not. */
  presentMs: z.number(),
  awaySinceMs: z.number(),
  /** Device time of the first reading of the flow whose other leg is dead, 0 for none. */
  deadLegSinceMs: z.number(),
  raised: z.boolean(),
});
type State = z.infer<typeof stateSchema>;

export const backfeedInOutage = defineDetector({
  kind: 'backfeed-in-outage',
  thresholds: {
    feedW: {
      default: 50,
      unit: 'W',
      min: 5,
      max: 5000,
      source: 'own judgement: beyond a clamp’s error near 0',
    },
    holdSeconds: {
      default: 5,
      unit: 's',
      min: 0,
      max: 300,
      source: 'own judgement: an inverter has to cease within 2 s (IEEE 1547, from memory)',
    },
  },
  wants: ['meter', 'battery'],
  delays: () => ({ onDelayMs: 0, offDelayMs: MINUTE_MS }),
  subjects: (site) => site.inlets.map((inlet) => inletSubject(inlet.number)),
  about: (subject, site) => inletNamed(site, subject),
  state: stateSchema,
  start: () => ({
    flow: startHold(),
    feedsW: 0,
    peakW: 0,
    awayFlags: 0,
    flagsInFlow: 0,
    presentMs: 0,
    awaySinceMs: 0,
    deadLegSinceMs: 0,
    raised: false,
  }),
  observe(event, { about: inlet, state, view, values }): Verdict | undefined {
    if (inlet === undefined) return undefined;
    if (event.kind === 'battery') noteFlag(state, event);
    else if (event.kind === 'meter') noteFlow(state, inlet, event, view, values.feedW);
    else return undefined;

    const { flow } = state;
    if (state.awayFlags === 0 || (flow.at > 0 && flow.readings === 0)) {
      state.raised = false;
      return ABSENT;
    }
    if (event.at - flow.at > FLOW_STALE_MS) return { is: 'unknown', why: 'the meter is not heard' };
    const legIsDead = state.deadLegSinceMs > 0;
    const together = beganTogether(state);
    let { awaySinceMs } = state;
    if (together) awaySinceMs = flow.sinceMs;
    else if (legIsDead) awaySinceMs = Math.min(awaySinceMs, state.deadLegSinceMs);
    const sinceMs = Math.max(awaySinceMs, flow.at - flow.heldMs);
    if (!state.raised) {
      const believed = legIsDead || together || state.flagsInFlow >= FLAGS_BELIEVED;
      const held = event.at - sinceMs >= values.holdSeconds * 1000;
      if (!believed || !held || flow.readings < 2 || flow.at < awaySinceMs) return undefined;
      state.raised = true;
      state.peakW = 0;
    }
    state.peakW = Math.max(state.peakW, state.feedsW);
    return present(state, inlet, sinceMs, event.at, view);
  },
  words: ({ subject, facts }) => words(subject, facts),
});

/** Did the flow begin between the last flag that said the grid is there and the first that did not? */
function beganTogether({ flow, presentMs, awaySinceMs }: State): boolean {
  return presentMs > 0 && flow.sinceMs >= presentMs - CLOCKS_MS && flow.sinceMs <= awaySinceMs + CLOCKS_MS;
}

const own = emptyCircuitLoad();

function noteFlag(state: State, battery: BatteryReading): void {
  if (battery.gridPresent === null) return;
  if (battery.gridPresent) {
    state.presentMs = battery.at;
    state.awayFlags = 0;
    state.flagsInFlow = 0;
    return;
  }
  if (state.awayFlags === 0) state.awaySinceMs = battery.at;
  state.awayFlags += 1;
  if (state.flow.readings > 0) state.flagsInFlow += 1;
}

function noteFlow(state: State, inlet: SiteInlet, meter: MeterReading, view: SiteView, limitW: number): void {
  const feedsW = feedOf(inlet, meter, view, limitW);
  if (feedsW === null) return;
  state.feedsW = feedsW;
  const meterPeriodMs = 1000 * (meter.periodS ?? view.site.meter.periodSeconds);
  observeHold(state.flow, meter.at, feedsW / limitW, meterPeriodMs, ABOVE, ABOVE);
  if (state.flow.readings === 0) state.flagsInFlow = 0;
  if (state.flow.readings === 0 || !isOtherLegDead(inlet, meter, view)) state.deadLegSinceMs = 0;
  else if (state.deadLegSinceMs === 0) state.deadLegSinceMs = meter.at;
}

/** Power from the inlet into the panel, W, 0 and up; null when nobody says. */
function feedOf(inlet: SiteInlet, meter: MeterReading, view: SiteView, limitW: number): number | null {
  const shownW = inlet.number === 1 ? meter.inlet1W : meter.inlet2W;
  const isDead = isOtherLegDead(inlet, meter, view);
  // Nearly always: nothing flows, by the clamp, and the grid is there.
  if (!isDead && shownW !== null && Math.abs(shownW) <= limitW) return 0;
  const ownW = measureBatteries(inlet, view, own) ? own.watts : null;
  if (shownW !== null && shownW < -limitW) return ownW !== null && ownW > limitW ? 0 : -shownW;
  if (ownW === null || ownW >= -limitW) return shownW === null ? null : 0;
  if (shownW !== null && shownW > limitW) return shownW;
  // The clamp shows nothing: the only inlet of a house with one live leg feeds it nevertheless.
  const legV = inlet.leg === 'L1' ? meter.l1V : meter.l2V;
  const live = legV !== null && legV >= DEAD_LEG_PU * view.site.service.nominalVolts;
  const onlyInlet = view.site.inlets.length === 1 && isDead;
  return live && onlyInlet ? -ownW : 0;
}

/** The leg that no inlet can feed has no voltage. */
function isOtherLegDead(inlet: SiteInlet, meter: MeterReading, { site }: SiteView): boolean {
  const otherV = inlet.leg === 'L1' ? meter.l2V : meter.l1V;
  if (otherV === null || otherV >= DEAD_LEG_PU * site.service.nominalVolts) return false;
  return site.inlets.every(({ leg }) => leg === inlet.leg);
}

function present(state: State, inlet: SiteInlet, sinceMs: number, atMs: number, view: SiteView): Verdict {
  const { site } = view;
  const feedsW = rounded(state.peakW);
  const batteries = site.batteries.filter((battery) => battery.inlet === inlet.number);
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    facts: { feedsW },
    evidence: () => ({
      fromMs: sinceMs - 10 * MINUTE_MS,
      toMs: atMs,
      series: [
        `${site.meter.device} inlet${inlet.number}.p`,
        `${site.meter.device} l1.v`,
        `${site.meter.device} l2.v`,
        ...batteries.flatMap(({ device }) => [`${device} ac.p`, `${device} grid`]),
      ],
      figures: [
        {
          label: 'Into the panel',
          value: feedsW,
          unit: 'W',
          source: `${site.meter.device} inlet${inlet.number}.p`,
        },
        { label: 'For', value: rounded((atMs - sinceMs) / 1000), unit: 's', source: 'readings' },
        {
          label: 'Grid',
          value: 'away',
          unit: '',
          source: batteries.map(({ device }) => `${device} grid`).join(', '),
        },
      ],
    }),
  };
}

function words(subject: string, facts: Facts): Words {
  return {
    headline: `Backfeed: ${subject} feeds ${facts['feedsW']} W into the panel while the grid is away.`,
    explanation:
      'Power goes from the battery through its inlet into the panel, and nothing on record keeps it from the utility’s line. A transformer turns it into thousands of volts, which can kill those who work on the line; when the grid returns out of step, it can destroy the unit and start a fire.',
    steps: [
      'Call the homeowner now: switch the battery off at its own switch, and leave the panel closed.',
      'Have the utility told at once that this address may feed its line.',
      'Do not let the battery run in an outage until a licensed electrician has found a listed transfer switch or interlock in place and working.',
    ],
    caution:
      'Nobody opens or touches the panel, the inlet or a fallen line: what the grid left dead may be live from the battery. Never use a cord with two plugs. Work in the panel and any transfer equipment is for a licensed electrician under the local code, with the utility’s consent.',
    homeowner:
      'Danger: your battery is feeding electricity into your panel during the outage, which can kill a line worker. Switch the battery off at its own switch now if you can reach it safely, call your utility’s emergency line and a licensed electrician, and leave the panel closed: there is nothing for you to open.',
  };
}
