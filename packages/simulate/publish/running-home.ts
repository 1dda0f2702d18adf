import { type Site, type SiteInput, siteSchema } from '@afterwatt/wire';
import { simulateHome } from '../home.ts';
import type { FaultSpec, Packet, SiteAlert, Span } from '../scenario.ts';

/** A home to publish: a scenario without its times. */
export interface HomeToPublish {
  readonly site: SiteInput;
  readonly seed: string;
  readonly faults?: readonly FaultSpec[];
  readonly alerts?: readonly SiteAlert[];
  readonly outages?: readonly Span[];
}

/** A home that has begun, with what it tells next. */
export interface RunningHome {
  readonly site: Site;
  /** What comes next, without taking it. It never ends. */
  next(): Packet;
  take(): Packet;
}

export interface HomeTimes {
  /** When the home's life begins. */
  readonly fromMs: number;
  /** Until then its devices report once a minute. */
  readonly coarseUntilMs: number;
  /** What it told before is not told again. */
  readonly sendFromMs: number;
}

export function startHome(
  home: HomeToPublish,
  { fromMs, coarseUntilMs, sendFromMs }: HomeTimes,
): RunningHome {
  const site = siteSchema.parse(home.site);
  const { seed, faults = [], alerts = [], outages = [] } = home;
  const toMs = Number.POSITIVE_INFINITY;
  const packets = simulateHome({ site, seed, faults, alerts, outages, fromMs, coarseUntilMs, toMs })[
    Symbol.iterator
  ]();
  let next = advance();
  while (next.at < sendFromMs) next = advance();

  function advance(): Packet {
    const result = packets.next();
    if (result.done === true) throw new Error(`${site.id} ended, which no home without an end does`);
    return result.value;
  }

  return {
    site,
    next: () => next,
    take() {
      const taken = next;
      next = advance();
      return taken;
    },
  };
}
