import { ID_PATTERN } from './id.ts';

/** What a device publishes. */
export type TopicKind = 'readings' | 'state';
export type Topic = { site: string; device: string; kind: TopicKind };

const ROOT = 'afterwatt/v1';
const TOPIC_PATTERN =
  /^afterwatt\/v1\/([a-z0-9][a-z0-9-]{0,62})\/([a-z0-9][a-z0-9-]{0,62})\/(readings|state)$/;

/**
 * The topic a device publishes to.
 * @throws RangeError for a site or device id that is none
 */
export function topicOf({ site, device, kind }: Topic): string {
  if (!ID_PATTERN.test(site)) throw new RangeError(`no site id: ${site}`);
  if (!ID_PATTERN.test(device)) throw new RangeError(`no device id: ${device}`);
  return `${ROOT}/${site}/${device}/${kind}`;
}

/** The parts of a topic, or undefined for one that no device may publish to. */
export function parseTopic(topic: string): Topic | undefined {
  const [, site, device, kind] = TOPIC_PATTERN.exec(topic) ?? [];
  if (site === undefined || device === undefined) return undefined;
  return { site, device, kind: kind === 'state' ? 'state' : 'readings' };
}

/** A subscription to all devices of a site, or of every site. */
export function topicFilter(kind: TopicKind, site?: string): string {
  return `${ROOT}/${site ?? '+'}/+/${kind}`;
}
