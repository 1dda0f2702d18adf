// The demo fleet: valid sites, and faults whose incidents stand at the moment of the demo, whenever that is.

import { openPreparations, parseCap } from '@afterwatt/storm';
import { siteSchema } from '@afterwatt/wire';
import { describe, expect, it } from 'vitest';
import { demoFleet } from './demo-fleet.ts';
import { simulateHome } from './home.ts';

const HOUR_MS = 3_600_000;
const NOW_MS = Date.parse('2026-10-31T17:20:00Z');
const NEEDED = [
  'device-silent',
  'inlet-ct-reversed',
  'inlet-over-cap',
  'reserve-low',
  'service-ct-reversed',
  'storm-charge-stalled',
];

describe('the demo fleet', () => {
  const fleet = demoFleet(NOW_MS);
  const sites = fleet.homes.map(({ site }) => siteSchema.parse(site));

  it('has a dozen valid homes in several time zones, marked as invented', () => {
    expect(sites).toHaveLength(12);
    expect(new Set(sites.map(({ id }) => id)).size).toBe(12);
    expect(new Set(sites.map(({ timeZone }) => timeZone)).size).toBeGreaterThan(5);
    for (const { name } of sites) expect(name).toContain('(demo)');
  });

  it('has each fault once, and at least half of its homes without any', () => {
    const kinds = fleet.homes.flatMap(({ truth }) => truth.map(({ kind }) => kind));
    expect([...kinds].sort()).toEqual(NEEDED);
    expect(fleet.homes.filter(({ faults }) => faults.length === 0).length).toBeGreaterThanOrEqual(6);
  });

  it('warns the home with the stalled charge, and its neighbour', () => {
    const alerts = fleet.alerts.map((xml) => {
      const parsed = parseCap(xml);
      if (!parsed.ok) throw new Error(JSON.stringify(parsed.problems));
      return parsed.alert;
    });
    const warned = sites.filter(
      ({ location }) => location !== null && openPreparations(alerts, location, NOW_MS).length > 0,
    );
    expect(warned.map(({ id }) => id).sort()).toEqual(['harbor-view-16', 'lighthouse-street-2']);
    const neighbour = fleet.homes.find(({ site }) => site.id === 'lighthouse-street-2');
    expect(neighbour?.alerts).toHaveLength(1);
  });

  // The demo is started at any hour of any day: each four hours of a week, so that peaks and weekends are met.
  it('stands with its faults shown at any moment', { timeout: 120_000 }, () => {
    for (let start = 0; start < 42; start += 8) {
      const nowMs = NOW_MS + start * 4 * HOUR_MS;
      for (const { site, seed, faults, alerts } of demoFleet(nowMs).homes) {
        if (faults.length === 0) continue;
        const run = simulateHome({
          site: siteSchema.parse(site),
          seed,
          faults,
          alerts,
          fromMs: nowMs - 6 * 24 * HOUR_MS,
          toMs: nowMs,
          coarseUntilMs: nowMs,
        });
        let socPct = 100;
        for (const packet of run) {
          if (packet.kind === 'reading' && packet.reading.kind === 'battery')
            socPct = packet.reading.socPct ?? socPct;
        }
        for (const truth of run.truths) expect(truth.shownMs, `${truth.kind} at ${nowMs}`).not.toBeNull();
        if (run.truths[0]?.kind === 'reserve-low') expect(socPct).toBeLessThan(24);
        if (run.truths[0]?.kind === 'storm-charge-stalled') expect(socPct).toBeLessThan(70);
      }
    }
  });
});
