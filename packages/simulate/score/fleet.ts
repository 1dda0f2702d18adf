// Many homes that share a network or a broker, and an hour in which it fails: what the fleet's own watch says.

import { type FleetTransition, type SilenceChange, startFleetSilence } from '@afterwatt/detect';
import type { Site } from '@afterwatt/wire';
import { randomStream } from '../random.ts';
import type { FaultSpec, Truth } from '../scenario.ts';
import { drawSite } from './draw-site.ts';
import { type Raised, type RunResult, runHome } from './run-home.ts';

const MINUTE_MS = 60_000;
const LEAD_MS = 20 * MINUTE_MS;
const WATCHED_MS = 20 * MINUTE_MS;
/** A failing network takes its homes down one after another, a broker all of them together. */
const SPREAD_MS = { network: 4 * MINUTE_MS, broker: 20_000 };
/** A part of a region, or all that come in through the broker. */
const SHARE_OF_REGION = { least: 0.4, most: 1 };
/** Homes that fall silent by themselves in the same hour. */
const ALONE = 0.02;
const BROKER = 'main';

interface Home {
  readonly site: Site;
  readonly faults: readonly FaultSpec[];
}

/** The `index`th fleet: one of its regions, or its broker, fails. */
function drawFleet(name: string) {
  const random = randomStream(name, 'fleet');
  const onsetMs = 1000 * Math.floor(Date.UTC(2026, 0, 1) / 1000 + random.uniform() * 364 * 86_400);
  const regions = ['north', 'east', 'south'].slice(0, random.pick([2, 3]));
  const ofBroker = random.chance(0.4);
  const share = ofBroker ? 1 : random.between(SHARE_OF_REGION.least, SHARE_OF_REGION.most);
  const homes = regions.flatMap((region, r) => {
    const size = Math.round(random.between(16, 24));
    return Array.from({ length: size }, (_, i): Home => {
      const site = { ...drawSite(`${name}/${region}/${i}`), id: `${region}-${i}`, region };
      const fails = ofBroker || (r === 0 && i < share * size);
      const silentMs = onsetMs + Math.floor(random.uniform() * SPREAD_MS[ofBroker ? 'broker' : 'network']);
      const fault = { onsetMs: silentMs, endMs: null, severity: random.uniform() };
      if (fails) return { site, faults: [{ name: 'fleet-silence', subject: region, ...fault }] };
      const alone = { name: 'device-silent', subject: site.meter.device, ...fault } as const;
      return { site, faults: random.chance(ALONE) ? [alone] : [] };
    });
  });
  return { homes, onsetMs, subject: ofBroker ? `broker ${BROKER}` : `region ${regions[0]}` };
}

/** Runs a fleet as if it were one home. */
export function runFleet(name: string, cpuUs: () => number): RunResult {
  const startedUs = cpuUs();
  const { homes, onsetMs, subject } = drawFleet(name);
  const [fromMs, toMs] = [onsetMs - LEAD_MS, onsetMs + WATCHED_MS];
  const changes: SilenceChange[] = [];
  const runs = homes.map(({ site, faults }) => {
    const scenario = { site, seed: `${name}/${site.id}`, fromMs, toMs, faults };
    const run = runHome({ name: scenario.seed, scenario, until: { is: 'the end' } }, cpuUs);
    for (const incident of run.raised) {
      if (incident.kind !== 'device-silent') continue;
      const { subject: device, onsetMs: sinceMs, heardMs: atMs } = incident;
      changes.push({ site: site.id, device, silent: true, sinceMs, atMs });
    }
    return run;
  });

  const beforeUs = cpuUs();
  const fleet = startFleetSilence();
  for (const { site } of homes) fleet.place({ site: site.id, region: site.region, broker: BROKER });
  const found = changes.sort((a, b) => a.atMs - b.atMs).flatMap((change) => [...fleet.hear(change)]);
  found.push(...fleet.passTime(toMs));
  const sum = (of: (run: RunResult) => number) => runs.reduce((total, run) => total + of(run), 0);
  return {
    site: homes[0]?.site ?? drawSite(name),
    truths: [truthOf(subject, onsetMs)],
    raised: found.filter(({ type }) => type === 'raised').map(raisedOf),
    cleared: [],
    outages: [],
    fromMs,
    // It is judged as if watched for as long as it may take: what was not told by now will not be.
    toMs: Number.POSITIVE_INFINITY,
    firstStepMs: null,
    readings: sum(({ readings }) => readings),
    detectUs: sum(({ detectUs }) => detectUs) + cpuUs() - beforeUs,
    totalUs: cpuUs() - startedUs,
    stateBytes: 0,
  };
}

function truthOf(subject: string, onsetMs: number): Truth {
  const made = { fault: 'fleet-silence', onsetMs, endMs: null, shownMs: onsetMs, fair: [] } as const;
  return { kind: 'fleet-silence', subject, ...made };
}

function raisedOf({ subject, detectedMs, onsetMs, atMs }: FleetTransition): Raised {
  return { kind: 'fleet-silence', subject, onsetMs, detectedMs, heardMs: atMs, confidence: 1, apart: false };
}
