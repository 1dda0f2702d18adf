// Is a storm coming for which this site should charge? From the CAP messages that met the site, in device time:
// open from the alert's `sent` until its onset, following updates, cancels and expiry.

import {
  type Announcement,
  alertsInForce,
  announcedPreparations,
  areaMeetsSite,
  type CapAlert,
  type CapReference,
  callsForCharging,
  MESSAGE_TYPES,
  STATUSES,
} from '@afterwatt/storm';
import type { Site } from '@afterwatt/wire';
import { z } from 'zod';
import type { SiteEvent } from '../event.ts';
import type { Model } from '../site-view.ts';

/**
 * A unit that charges, rests and feeds by turns has one fault, not one a turn: its incident stands through turns of a
 * quarter of an hour (common practice: dispatch periods), as an off-delay.
 */
export const TURNS_MS = 20 * 60_000;
/** Messages kept: one storm's alert with its updates, or a few storms at once. */
const KEPT_MESSAGES = 6;
/** Events kept of a message, which it may speak of in several languages. */
const KEPT_EVENTS = 2;
const KEPT_CHARACTERS = 80;
const DAY_MS = 24 * 3_600_000;
/** While messages are kept they are read again so often, as the site's settings may have changed: it is slow. */
const READ_AGAIN_MS = 5 * 60_000;

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

const referenceSchema = z.object({ sender: z.string(), identifier: z.string(), sentMs: z.number() });

const keptSchema = referenceSchema.extend({
  status: z.enum(STATUSES),
  messageType: z.enum(MESSAGE_TYPES),
  references: z.array(referenceSchema),
  events: z.array(
    z.object({ event: z.string(), onsetMs: z.number().nullable(), expiresMs: z.number().nullable() }),
  ),
});
type Kept = z.infer<typeof keptSchema>;
type Announced = Announcement<Kept['events'][number]>;

const schema = z.object({
  messages: z.array(keptSchema),
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
      state.messages = withMessage(state.messages, keep(event.alert, site));
    } else if (!isDue(state, event, nowMs)) {
      return;
    }
    const alerts = state.messages.map(asAnnouncement);
    const inForce = alertsInForce(alerts, nowMs);
    state.open = openAt(alerts, state.open, site, nowMs);
    state.inForceUntilMs = site.storm.enabled ? lastEndMs(inForce) : 0;
    // A backlog is behind the alerts: what is still to be sent, in its time, opens then.
    const nextSentMs = state.messages.find(({ sentMs }) => sentMs > nowMs)?.sentMs ?? null;
    state.changeMs = least(state.open?.untilMs ?? null, nextSentMs);
    if (event.kind !== 'storm' && nextSentMs === null && inForce.length === 0) state.messages = [];
  },
};

function least(a: number | null, b: number | null): number | null {
  return a === null || b === null ? (a ?? b) : Math.min(a, b);
}

/** At a known change at once. */
function isDue({ messages, changeMs }: StormState, { kind, at }: SiteEvent, nowMs: number): boolean {
  if (messages.length === 0) return false;
  return (kind === 'tick' && at % READ_AGAIN_MS === 0) || (changeMs !== null && nowMs >= changeMs);
}

function isSame(a: CapReference, b: CapReference): boolean {
  return a.sender === b.sender && a.identifier === b.identifier && a.sentMs === b.sentMs;
}

function lastEndMs(inForce: readonly Announced[]): number {
  const ends = inForce.flatMap(({ infos, sentMs }) =>
    infos.map(({ onsetMs, expiresMs }) => expiresMs ?? (onsetMs ?? sentMs) + DAY_MS),
  );
  return Math.max(0, ...ends);
}

function openAt(
  alerts: readonly Announced[],
  before: OpenPreparation | null,
  site: Site,
  nowMs: number,
): OpenPreparation | null {
  if (!site.storm.enabled || site.location === null) return null;
  const [next] = announcedPreparations(alerts, nowMs);
  if (next === undefined) return null;
  const { info, sinceMs, onsetMs, untilMs } = next;
  return { event: info.event, sinceMs, knownMs: before?.knownMs ?? nowMs, onsetMs, untilMs };
}

/** In the order they were sent, each once: a message may be told again when the site is registered otherwise. */
function withMessage(messages: readonly Kept[], message: Kept): Kept[] {
  const others = messages.filter((other) => !isSame(other, message));
  const changes = message.references.some((earlier) => others.some((other) => isSame(other, earlier)));
  if (message.events.length === 0 && !changes) return others;
  return [...others, message].sort((a, b) => a.sentMs - b.sentMs).slice(-KEPT_MESSAGES);
}

/** What of a message decides: whom it names, and when each of its events that call for charging here is expected. */
function keep(alert: CapAlert, { location }: Site): Kept {
  const { sender, identifier, sentMs, status, messageType, references, infos } = alert;
  const events = infos
    .filter((info) => location !== null && callsForCharging(info) && areaMeetsSite(info.areas, location))
    .slice(0, KEPT_EVENTS)
    .map(({ event, onsetMs, expiresMs }) => ({ event: event.slice(0, KEPT_CHARACTERS), onsetMs, expiresMs }));
  const kept = references.slice(-KEPT_MESSAGES);
  return { sender, identifier, sentMs, status, messageType, references: kept, events };
}

function asAnnouncement({ events, ...message }: Kept): Announced {
  return { ...message, infos: events };
}
