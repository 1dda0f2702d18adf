// Is a storm coming for which this site should charge? From the CAP messages that met the site, in device time:
// open from the alert's `sent` until its onset, following updates, cancels and expiry.

import {
  alertsInForce,
  areaMeetsSite,
  type CapAlert,
  type CapInfo,
  callsForCharging,
  openPreparations,
} from '@afterwatt/storm';
import type { Site } from '@afterwatt/wire';
import { z } from 'zod';
import type { SiteEvent } from '../event.ts';
import type { Model } from '../site-view.ts';

/** Messages kept: one storm's alert with its updates, or a few storms at once. */
const KEPT_MESSAGES = 6;
/** Infos kept of a message: the events it speaks of, and their translations. */
const KEPT_INFOS = 2;
const KEPT_CHARACTERS = 80;
const DAY_MS = 24 * 3_600_000;

const openSchema = z.object({
  /** What is coming, in the alert's own words: 'Ice Storm Warning'. */
  event: z.string(),
  sinceMs: z.number(),
  /** Device time at which we came to know of it: a unit may not have known sooner either. */
  knownMs: z.number(),
  /** When it is expected to begin; null where the alert does not say. */
  onsetMs: z.number().nullable(),
  untilMs: z.number(),
});

const schema = z.object({
  messages: z.array(z.custom<CapAlert>((value) => typeof value === 'object' && value !== null)),
  open: openSchema.nullable(),
  /** Until when an alert explains that a battery keeps its charge: a storm goes on after its onset; 0 = none. */
  inForceUntilMs: z.number(),
  /** Device time of the next change that no message will announce; null when there is none. */
  changeMs: z.number().nullable(),
});

export type StormState = z.infer<typeof schema>;
export type OpenPreparation = z.infer<typeof openSchema>;

export const stormModel: Model<StormState> = {
  state: schema,
  start: () => ({ messages: [], open: null, inForceUntilMs: 0, changeMs: null }),
  observe(state, event, view) {
    const { site, nowMs } = view;
    if (event.kind === 'storm') {
      const others = state.messages.filter((message) => !isSame(message, event.alert));
      state.messages = [...others, slim(event.alert, site)]
        .sort((a, b) => a.sentMs - b.sentMs)
        .slice(-KEPT_MESSAGES);
    } else if (!isDue(state, event, nowMs)) {
      return;
    }
    const inForce = alertsInForce(state.messages, nowMs);
    state.open = openAt(state, site, nowMs);
    state.inForceUntilMs = site.storm.enabled ? lastEndMs(inForce, nowMs) : 0;
    // A backlog is behind the alerts: what is still to be sent, in its time, opens then.
    const nextSentMs = state.messages.find(({ sentMs }) => sentMs > nowMs)?.sentMs ?? null;
    state.changeMs = least(state.open?.untilMs ?? null, nextSentMs);
    if (event.kind !== 'storm' && nextSentMs === null && inForce.length === 0) state.messages = [];
  },
};

function least(a: number | null, b: number | null): number | null {
  return a === null || b === null ? (a ?? b) : Math.min(a, b);
}

/** At a known change at once; at every tick while messages are kept, because the site's settings may have changed. */
function isDue({ messages, changeMs }: StormState, { kind }: SiteEvent, nowMs: number): boolean {
  if (messages.length === 0) return false;
  return kind === 'tick' || (changeMs !== null && nowMs >= changeMs);
}

function isSame(a: CapAlert, b: CapAlert): boolean {
  return a.sender === b.sender && a.identifier === b.identifier && a.sentMs === b.sentMs;
}

function lastEndMs(inForce: readonly CapAlert[], nowMs: number): number {
  const infos = inForce.flatMap((alert) => alert.infos);
  return Math.max(0, ...infos.map(({ onsetMs, expiresMs }) => expiresMs ?? (onsetMs ?? nowMs) + DAY_MS));
}

function openAt(state: StormState, site: Site, nowMs: number): OpenPreparation | null {
  if (!site.storm.enabled || site.location === null) return null;
  const next = openPreparations(state.messages, site.location, nowMs)[0];
  if (next === undefined) return null;
  const { info, sinceMs, onsetMs, untilMs } = next;
  return { event: info.event, sinceMs, knownMs: state.open?.knownMs ?? nowMs, onsetMs, untilMs };
}

/** Without what only people read; the area, which is long and met already, becomes the site itself. */
function slim(alert: CapAlert, site: Site): CapAlert {
  const { location } = site;
  const infos = alert.infos
    .filter((info) => location !== null && callsForCharging(info) && areaMeetsSite(info.areas, location))
    .slice(0, KEPT_INFOS);
  return { ...alert, note: null, addresses: null, infos: infos.map((info) => slimInfo(info, site)) };
}

function slimInfo(info: CapInfo, { location }: Site): CapInfo {
  const circles =
    location === null ? [] : [{ center: { lat: location.lat, lon: location.lon }, radiusKm: 0 }];
  return {
    ...info,
    event: info.event.slice(0, KEPT_CHARACTERS),
    headline: null,
    description: null,
    instruction: null,
    web: null,
    contact: null,
    parameters: [],
    eventCodes: [],
    areas: [{ description: '', polygons: [], circles, geocodes: [] }],
  };
}
