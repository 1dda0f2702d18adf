// Many sites fall silent at once: a network, a power cut or a broker, not many broken devices. It sees the whole
// fleet, not one site, so it is no Detector: told who falls silent and who returns, it says when one cause
// explains them all.
// Easily confused with: some sites that happen to be silent (the share counts), and a group so small that a
// share says nothing (the number counts). A failure that shows in a region and at a broker is told once, where
// the greater share is silent. Source: ISA-18.2, one alarm for a flood with one cause; the limits are our own.

import { z } from 'zod';
import type { Facts, Figure, Words } from '../detector.ts';
import { rounded, spanText } from '../wording.ts';

const MINUTE_MS = 60_000;
/** More sites than this, and more than this share of the group ... */
export const LEAST_SITES = 5;
export const LEAST_SHARE = 0.3;
/** ... that fell silent within this time. */
export const TOGETHER_MS = 10 * MINUTE_MS;
/** Devices are missed one after the other: wait, so that the group that fits best is named. */
const SETTLE_MS = 2 * MINUTE_MS;
/** It is over when less than half of what raised it is still silent. */
const CLEAR_FRACTION = 0.5;

export interface FleetPlace {
  readonly site: string;
  readonly region: string | null;
  readonly broker: string | null;
}

/** A device falls silent, or is heard again. */
export interface SilenceChange {
  readonly site: string;
  readonly device: string;
  readonly silent: boolean;
  /** When the device was last heard (silent), or heard again. */
  readonly sinceMs: number;
  /** When this became known; never goes back. */
  readonly atMs: number;
}

export interface FleetTransition {
  readonly type: 'raised' | 'updated' | 'cleared';
  /** 'region north' or 'broker mqtt-2'. */
  readonly subject: string;
  readonly onsetMs: number;
  /** With the subject it names the incident. */
  readonly detectedMs: number;
  readonly atMs: number;
  /** Sites whose device-silent it explains, now. Those that leave the list stand for themselves again. */
  readonly sites: readonly string[];
  readonly facts: Facts;
  readonly figures: readonly Figure[];
  readonly words: Words;
}

export interface FleetSilence {
  /** A site joins the fleet, or moves. */
  place(place: FleetPlace): void;
  remove(site: string, atMs: number): readonly FleetTransition[];
  hear(change: SilenceChange): readonly FleetTransition[];
  passTime(nowMs: number): readonly FleetTransition[];
  /** The subject that explains a site's silence. */
  explains(site: string): string | undefined;
  save(): SavedFleet;
}

const savedSchema = z.object({
  places: z.record(z.string(), z.array(z.string())),
  /** By site: its silent devices and since when each is. */
  silent: z.record(z.string(), z.record(z.string(), z.number())),
  standing: z.record(
    z.string(),
    z.object({ onsetMs: z.number(), detectedMs: z.number(), lastMs: z.number(), sites: z.array(z.string()) }),
  ),
  /** When a group first had enough silent sites, while it is not raised. */
  dueMs: z.number().nullable(),
});

type SavedFleet = z.infer<typeof savedSchema>;
type StandingFleet = SavedFleet['standing'][string];
const NOTHING: readonly FleetTransition[] = [];

/** @param saved what `save` returned, as JSON; another shape starts afresh */
export function startFleetSilence(saved?: unknown): FleetSilence {
  const parsed = savedSchema.safeParse(saved);
  const state: SavedFleet = parsed.success
    ? parsed.data
    : { places: {}, silent: {}, standing: {}, dueMs: null };

  function hear({ site, device, silent, sinceMs, atMs }: SilenceChange): readonly FleetTransition[] {
    const before = passTime(atMs);
    const devices = state.silent[site] ?? {};
    state.silent[site] = devices;
    if (silent) devices[device] = sinceMs;
    else delete devices[device];
    if (Object.keys(devices).length === 0) delete state.silent[site];
    return [...before, ...(silent ? join(site, sinceMs, atMs) : leave(site, atMs))];
  }

  /** A site falls silent: one more of a standing incident, or perhaps the one that makes it an incident. */
  function join(site: string, sinceMs: number, atMs: number): readonly FleetTransition[] {
    for (const [subject, standing] of Object.entries(state.standing)) {
      if (standing.sites.includes(site)) return NOTHING;
      if (!(state.places[site] ?? []).includes(subject)) continue;
      if (Math.abs(sinceMs - standing.lastMs) > TOGETHER_MS) continue;
      standing.sites.push(site);
      standing.lastMs = Math.max(standing.lastMs, sinceMs);
      return [transition('updated', subject, standing, atMs)];
    }
    if (state.dueMs === null && best() !== undefined) state.dueMs = atMs + SETTLE_MS;
    return NOTHING;
  }

  function leave(site: string, atMs: number): readonly FleetTransition[] {
    for (const [subject, standing] of Object.entries(state.standing)) {
      if (!standing.sites.includes(site) || state.silent[site] !== undefined) continue;
      standing.sites = standing.sites.filter((other) => other !== site);
      const size = sizeOf(subject);
      const over =
        standing.sites.length <= LEAST_SITES * CLEAR_FRACTION ||
        standing.sites.length <= LEAST_SHARE * CLEAR_FRACTION * size;
      if (!over) return NOTHING;
      const cleared = transition('cleared', subject, standing, atMs);
      delete state.standing[subject];
      return [cleared];
    }
    return NOTHING;
  }

  function passTime(nowMs: number): readonly FleetTransition[] {
    if (state.dueMs === null || nowMs < state.dueMs) return NOTHING;
    const raised: FleetTransition[] = [];
    for (let group = best(); group !== undefined; group = best()) {
      const { subject, sites, onsetMs, lastMs } = group;
      const standing: StandingFleet = { onsetMs, detectedMs: state.dueMs, lastMs, sites };
      state.standing[subject] = standing;
      raised.push(transition('raised', subject, standing, state.dueMs));
    }
    state.dueMs = null;
    return raised;
  }

  /** The group of which the greatest share fell silent together, where that is enough to be one cause. */
  function best() {
    const sinceBySubject = new Map<string, { site: string; sinceMs: number }[]>();
    for (const [site, devices] of Object.entries(state.silent)) {
      if (explains(site) !== undefined) continue;
      const sinceMs = Math.min(...Object.values(devices));
      for (const subject of state.places[site] ?? []) {
        if (state.standing[subject] !== undefined) continue;
        const members = sinceBySubject.get(subject) ?? [];
        members.push({ site, sinceMs });
        sinceBySubject.set(subject, members);
      }
    }
    const sizes = sizesBySubject();
    const candidates = [...sinceBySubject]
      .map(([subject, members]) => ({ subject, together: mostTogether(members) }))
      .map(({ subject, together }) => ({
        subject,
        sites: together.map(({ site }) => site),
        onsetMs: together[0]?.sinceMs ?? 0,
        lastMs: together.at(-1)?.sinceMs ?? 0,
        share: together.length / (sizes.get(subject) ?? 1),
      }))
      .filter(({ sites, share }) => sites.length > LEAST_SITES && share > LEAST_SHARE);
    return candidates.sort((a, b) => b.share - a.share || b.sites.length - a.sites.length)[0];
  }

  function sizesBySubject(): Map<string, number> {
    const sizes = new Map<string, number>();
    for (const subjects of Object.values(state.places)) {
      for (const subject of subjects) sizes.set(subject, 1 + (sizes.get(subject) ?? 0));
    }
    return sizes;
  }

  function sizeOf(subject: string): number {
    return Object.values(state.places).filter((subjects) => subjects.includes(subject)).length;
  }

  function explains(site: string): string | undefined {
    return Object.entries(state.standing).find(([, { sites }]) => sites.includes(site))?.[0];
  }

  function transition(
    type: FleetTransition['type'],
    subject: string,
    { onsetMs, detectedMs, lastMs, sites }: StandingFleet,
    atMs: number,
  ): FleetTransition {
    const size = sizeOf(subject);
    const sharePct = rounded((100 * sites.length) / Math.max(1, size));
    const facts = { sites: sites.length, size, sharePct, spreadMs: lastMs - onsetMs };
    return {
      type,
      subject,
      onsetMs,
      detectedMs,
      atMs,
      sites: [...sites],
      facts,
      figures: [
        { label: 'Sites silent', value: sites.length, unit: '', source: 'device-silent of these sites' },
        { label: 'Sites in all', value: size, unit: '', source: 'site registration' },
        { label: 'Share', value: sharePct, unit: '%', source: 'device-silent of these sites' },
        { label: 'Fell silent within', value: spanText(lastMs - onsetMs), unit: '', source: 'last readings' },
      ],
      words: wordsOf(subject, facts),
    };
  }

  return {
    place({ site, region, broker }) {
      const subjects: string[] = [];
      if (region !== null) subjects.push(`region ${region}`);
      if (broker !== null) subjects.push(`broker ${broker}`);
      state.places[site] = subjects;
    },
    remove(site, atMs) {
      delete state.places[site];
      delete state.silent[site];
      return leave(site, atMs);
    },
    hear,
    passTime,
    explains,
    save: () => state,
  };
}

/** Of sites in any order, the most that fell silent within TOGETHER_MS, by time. */
function mostTogether(members: { site: string; sinceMs: number }[]): { site: string; sinceMs: number }[] {
  const sorted = members.sort((a, b) => a.sinceMs - b.sinceMs || (a.site < b.site ? -1 : 1));
  let most: typeof members = [];
  let first = 0;
  for (const [last, { sinceMs }] of sorted.entries()) {
    while (sinceMs - (sorted[first]?.sinceMs ?? sinceMs) > TOGETHER_MS) first += 1;
    if (last - first + 1 > most.length) most = sorted.slice(first, last + 1);
  }
  return most;
}

function wordsOf(
  subject: string,
  facts: { sites: number; size: number; sharePct: number; spreadMs: number },
): Words {
  return {
    headline: `${facts.sites} of ${facts.size} sites (${facts.sharePct} %) of ${subject} fell silent within ${spanText(Math.max(MINUTE_MS, facts.spreadMs))}.`,
    explanation:
      'So many at once have one cause: the network, the power or the broker they share. Their own silence is not told one by one.',
    steps: [
      'See whether the broker takes connections, and whether its certificate or a password has expired.',
      'See whether the region has a power cut or its internet provider a failure.',
      'Sites that stay silent when the others are back are told one by one again.',
    ],
    caution: null,
    homeowner: null,
  };
}
