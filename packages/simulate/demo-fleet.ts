// The demo: a dozen invented homes, half of them with one fault that stands now. Streets, households and alerts
// are made up; only the time zones and area codes are real.

import { type Site, type SiteInput, siteSchema } from '@afterwatt/wire';
import { DEMO_SITES } from './demo-sites.ts';
import { FAULTS, truthsOf } from './faults/faults.ts';
import type { FaultSpec, SiteAlert, Truth } from './scenario.ts';
import { capAlertXml } from './storm-alert.ts';

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
const HISTORY_MS = 14 * DAY_MS;
const FULL_PERIODS_MS = 2 * DAY_MS;

export interface DemoHome {
  /** As POST /v1/sites takes it. */
  readonly site: SiteInput;
  readonly seed: string;
  readonly faults: readonly FaultSpec[];
  readonly alerts: readonly SiteAlert[];
  readonly truth: readonly Truth[];
}

export interface DemoFleet {
  readonly homes: readonly DemoHome[];
  /** CAP 1.2 documents, as POST /v1/storm-alerts takes them. */
  readonly alerts: readonly string[];
  /** Where the history begins, and from when on devices report at their full rate. */
  readonly fromMs: number;
  readonly coarseUntilMs: number;
}

/**
 * The fleet as it is at `nowMs`: every fault's incident stands then. Pass the instant of the first start again
 * on every later one, or the faults move.
 */
export function demoFleet(nowMs: number): DemoFleet {
  const faulty = faultsByHome(nowMs);
  const homes = DEMO_SITES.map((input) => {
    const site = siteSchema.parse(input);
    const faults = faulty[input.id] ?? [];
    const alerts = faults.flatMap((spec) => FAULTS[spec.name].alert?.(spec) ?? []);
    return { site: input, parsed: site, seed: `demo/${input.id}`, faults, alerts };
  });
  // The neighbour within reach of the alert prepares as it should.
  const alertOf = (home: (typeof homes)[number]): readonly SiteAlert[] =>
    homes.filter((other) => sharesArea(other.parsed, home.parsed)).flatMap(({ alerts }) => alerts);
  return {
    homes: homes.map((home) => ({
      site: home.site,
      seed: home.seed,
      faults: home.faults,
      alerts: home.alerts.length > 0 ? [] : alertOf(home),
      truth: home.faults.flatMap((spec) => truthsOf(spec, home.parsed)),
    })),
    alerts: homes.flatMap(({ alerts, parsed }) => alerts.map((alert) => capAlertXml(alert, parsed))),
    fromMs: nowMs - HISTORY_MS,
    coarseUntilMs: nowMs - FULL_PERIODS_MS,
  };
}

function faultsByHome(nowMs: number): Readonly<Record<string, readonly FaultSpec[]>> {
  const ago = (hours: number): number => nowMs - hours * HOUR_MS;
  const one = (name: FaultSpec['name'], subject: string, hoursAgo: number, severity: number) => [
    { name, subject, onsetMs: ago(hoursAgo), endMs: null, severity },
  ];
  return {
    'juniper-court-11': one('inlet-ct-reversed', 'inlet 1', 81, 0.5),
    'quarry-road-207': one('service-ct-reversed', 'L2', 125, 0.5),
    'mill-pond-way-3': one('inlet-over-cap-foreign-load', 'inlet 1', 9, 0.12),
    'orchard-hill-58': one('reserve-low', 'battery-1', 40, 0.6),
    'harbor-view-16': one('storm-charge-stalled', 'battery-1', 3, 0),
    'sandpiper-lane-9': one('device-silent', 'battery-1', 7, 1),
  };
}

function sharesArea(a: Site, b: Site): boolean {
  const codes = new Set(a.location?.geocodes.map(({ code }) => code));
  return b.location?.geocodes.some(({ code }) => codes.has(code)) ?? false;
}
