import { areaMeetsSite, type SiteLocation } from './area.ts';
import type { CapAlert, CapInfo, CapReference } from './cap-types.ts';

/** When one event of a message is expected, and until when the message speaks of it. */
type Expected = Pick<CapInfo, 'onsetMs' | 'expiresMs'>;

/** What of a message decides whether it is in force, and since when. */
export type Announcement<I extends Expected = Expected> = CapReference &
  Pick<CapAlert, 'status' | 'messageType' | 'references'> & { infos: readonly I[] };

/** A time in which a site charges ahead of an outage. */
export type Preparation<I extends Expected = CapInfo> = {
  /** The part of the message that holds now which speaks of this event. */
  info: I;
  /** When the first message of the chain of updates was sent. */
  sinceMs: number;
  /** When the event is expected to begin; null where the alert does not say, or says that it has begun. */
  onsetMs: number | null;
  /** When the preparation is over: at the onset, or without one when the alert expires. */
  untilMs: number;
};

/**
 * CAP 1.2 leaves an alert without <expires> to the recipient's policy (section 3.2.2). Ours: it holds for a day
 * after its onset or, without one, after it was sent. Sources send updates more often than that.
 */
const DEFAULT_VALIDITY_MS = 24 * 3_600_000;

/** The kinds of event that take the grid down, by our own judgement: a missing child does not empty a battery. */
const OUTAGE_CATEGORIES: ReadonlySet<CapInfo['categories'][number]> = new Set([
  'Geo',
  'Met',
  'Safety',
  'Fire',
  'Infra',
  'Other',
]);

/**
 * The alerts in force at an instant, each message once, in the order they were sent.
 *
 * Only messages of status Actual count: tests, exercises, system messages and drafts neither warn nor cancel.
 * An Update takes the place of every message it refers to and a Cancel voids them, whether or not it has itself
 * been replaced or has expired since; Ack and Error say nothing about an event. An alert is in force from when
 * it was sent until the last of its infos has expired.
 * @param messages any messages, in any order, with or without duplicates; later ones than atMs are not seen
 */
export function alertsInForce<A extends Announcement>(messages: readonly A[], atMs: number): A[] {
  const seen = new Map<string, A>();
  for (const message of messages) {
    if (message.status === 'Actual' && message.sentMs <= atMs) seen.set(keyOf(message), message);
  }
  const replaced = new Set<string>();
  for (const message of seen.values()) {
    if (message.messageType !== 'Update' && message.messageType !== 'Cancel') continue;
    for (const reference of message.references) {
      // A message that names itself, or one yet to come, must not make both vanish.
      if (reference.sentMs <= message.sentMs && keyOf(reference) !== keyOf(message))
        replaced.add(keyOf(reference));
    }
  }
  return [...seen.values()]
    .filter(({ messageType }) => messageType === 'Alert' || messageType === 'Update')
    .filter((alert) => !replaced.has(keyOf(alert)))
    .filter((alert) => alert.infos.some((info) => atMs <= expiryOf(alert, info)))
    .sort((a, b) => a.sentMs - b.sentMs);
}

/**
 * Whether an event is one to charge for, by our own judgement, there being no standard on it: its kind is one
 * that takes the grid down, and it is Severe or Extreme or its source says Prepare; but not when it lies in the
 * past, is unlikely, or is the all-clear.
 */
export function callsForCharging(info: CapInfo): boolean {
  return (
    info.categories.some((category) => OUTAGE_CATEGORIES.has(category)) &&
    (info.severity === 'Severe' || info.severity === 'Extreme' || info.responseTypes.includes('Prepare')) &&
    info.urgency !== 'Past' &&
    info.certainty !== 'Unlikely' &&
    !info.responseTypes.includes('AllClear')
  );
}

/**
 * The preparations open at a site at an instant, the most pressing first. An alert opens one when it is in
 * force, calls for charging and meets the site; translations of one event (several infos in several languages)
 * open one. A preparation with an onset ends there; without one it lasts as long as the alert.
 */
export function openPreparations(
  messages: readonly CapAlert[],
  location: SiteLocation,
  atMs: number,
): Preparation[] {
  const announced = messages.map((message) => ({
    ...message,
    infos: message.infos.filter((info) => callsForCharging(info) && areaMeetsSite(info.areas, location)),
  }));
  return announcedPreparations(announced, atMs);
}

/** As `openPreparations`, from messages that hold only the infos that call for charging at the site. */
export function announcedPreparations<I extends Expected>(
  messages: readonly Announcement<I>[],
  atMs: number,
): Preparation<I>[] {
  const preparations: Preparation<I>[] = [];
  for (const alert of alertsInForce(messages, atMs)) {
    const sinceMs = firstSentMs(alert, messages);
    const [first] = alert.infos
      .map((info) => preparationFor(alert, info, sinceMs))
      .filter(({ untilMs }) => atMs < untilMs)
      .sort(byEnd);
    if (first !== undefined) preparations.push(first);
  }
  return preparations.sort(byEnd);
}

function preparationFor<I extends Expected>(alert: Announcement, info: I, sinceMs: number): Preparation<I> {
  const onsetMs = info.onsetMs !== null && info.onsetMs > sinceMs ? info.onsetMs : null;
  const expiresMs = expiryOf(alert, info);
  return { info, sinceMs, onsetMs, untilMs: Math.min(onsetMs ?? expiresMs, expiresMs) };
}

function byEnd(a: Preparation<Expected>, b: Preparation<Expected>): number {
  return a.untilMs - b.untilMs;
}

/** When the oldest known message of a chain of updates was sent. */
function firstSentMs(alert: Announcement, messages: readonly Announcement[]): number {
  const byKey = new Map(messages.map((message) => [keyOf(message), message]));
  const chain = new Set([keyOf(alert)]);
  let firstMs = alert.sentMs;
  for (const key of chain) {
    const message = byKey.get(key);
    if (message === undefined || message.status !== 'Actual') continue;
    firstMs = Math.min(firstMs, message.sentMs);
    if (message.messageType === 'Update')
      for (const reference of message.references) chain.add(keyOf(reference));
  }
  return firstMs;
}

function expiryOf(alert: Announcement, info: Expected): number {
  return info.expiresMs ?? Math.max(alert.sentMs, info.onsetMs ?? alert.sentMs) + DEFAULT_VALIDITY_MS;
}

function keyOf({ sender, identifier, sentMs }: CapReference): string {
  return `${sender},${identifier},${sentMs}`;
}
