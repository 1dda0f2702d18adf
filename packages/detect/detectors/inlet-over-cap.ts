// An inlet circuit carries more than it may, in either direction. Between 100 and 135 % of its rating a
// breaker need never trip (UL 489), so only the readings show it, while a plug and an inlet made for 15 A
// age in the heat.
// Two witnesses are heard apart and either is enough: the meter's inlet channel and the batteries' own
// figures. So a clamp that sits backwards, or reads half, hides nothing. What is on one circuit adds up: the
// batteries of an inlet, and the inlets that share a breaker (told on the first of them).
// Easily confused with: a start of one reading (inrush), noise about a load that is exactly at the cap, a clamp
// that reads twice the current or the other inlet's (models/channel-trust.ts: the batteries' own next reading is
// waited for, then), and the current that a leg draws because an open neutral has taken its voltage.

import { advanceBreakerHeat, type BreakerHeat } from '@afterwatt/electrical';
import type { MeterReading, Site, SiteInlet } from '@afterwatt/wire';
import { z } from 'zod';
import { ABSENT, defineDetector, type Facts, type Verdict, type Words } from '../detector.ts';
import type { SiteEvent } from '../event.ts';
import { GAP_PERIODS, type Hold, holdSchema, observeHold, startHold } from '../hold.ts';
import {
  channelTrust,
  channelTrustSchema,
  learnChannelTrust,
  startChannelTrust,
} from '../models/channel-trust.ts';
import {
  type CircuitLoad,
  circuitDevices,
  emptyCircuitLoad,
  inletNamed,
  inletSubject,
  isFirstOfBreaker,
  measureBatteries,
  measureCircuit,
  shareBreaker,
} from '../models/inlet-load.ts';
import { swappedLogOdds } from '../models/wiring/clamp-pair.ts';
import { ACCEPT_LOG_ODDS } from '../models/wiring/sequential-test.ts';
import type { SiteView } from '../site-view.ts';
import { rounded } from '../wording.ts';

/** A witness that has been silent for so long has no say in whether the load has returned to normal. */
const SILENT_MS = 60_000;
/** Legs that have parted may come together for a while, and part again with the next load. */
const PARTED_MS = 30 * 60_000;

/** Noise of one reading as a share of the accuracy: half, so that the mean of three stands clear by a third. */
const NOISE_SHARE = 0.5;

const heatSchema = z.object({ usedFraction: z.number() });
const circuitSchema = z.object({
  /** All inlets on the breaker against its rating, or the inlet alone against its own cap. */
  wholeBreaker: z.boolean(),
  meter: holdSchema,
  batteries: holdSchema,
  /** How near the breaker is to its latest trip time, by each witness. */
  heat: z.object({ meter: heatSchema, batteries: heatSchema }),
  /** The meter's channel has been over for long enough; whether it is to be believed, a battery may have to say. */
  meterHeld: z.boolean(),
  /** Who showed it; null while it is not over. */
  witness: z.enum(['meter', 'batteries']).nullable(),
  sinceMs: z.number(),
  /** Once it is over: device time since which every witness is below the clearing limit; null while one is not. */
  belowSinceMs: z.number().nullable(),
  /** The greatest share of the limit since then, and the load at that moment. */
  peakRatio: z.number(),
  peakA: z.number(),
  peakW: z.number(),
});
const stateSchema = z.object({
  circuits: z.array(circuitSchema),
  /** Device time at which the legs were last seen parted by an open neutral; 0 for never. */
  partedMs: z.number(),
  /** Of the inlets on these circuits, by their order in the site; a whole breaker rests on all of them. */
  trusts: z.array(channelTrustSchema),
});
type State = z.infer<typeof stateSchema>;
type Circuit = z.infer<typeof circuitSchema>;
type Witness = 'meter' | 'batteries';

export const inletOverCap = defineDetector({
  kind: 'inlet-over-cap',
  thresholds: {
    holdSeconds: {
      default: 10,
      unit: 's',
      min: 0,
      max: 600,
      source: 'common practice: longer than the start of a motor or a transformer',
    },
    atOncePct: {
      default: 135,
      unit: '%',
      min: 101,
      max: 1000,
      source: 'UL 489: from here on a breaker has to trip',
    },
    clearPct: { default: 97, unit: '%', min: 50, max: 100, source: 'common practice: deadband of 3 %' },
    clearSeconds: { default: 60, unit: 's', min: 1, max: 3600, source: 'common practice' },
  },
  wants: ['meter', 'battery'],
  delays: (values) => ({ onDelayMs: 0, offDelayMs: values.clearSeconds * 1000 }),
  readingsOf: circuitDevices,
  subjects: (site) => site.inlets.map((inlet) => inletSubject(inlet.number)),
  about: aboutCircuit,
  state: stateSchema,
  start: (subject, site) => {
    const inlet = inletNamed(site, subject);
    const adds = inlet !== undefined && isFirstOfBreaker(inlet, site);
    return {
      circuits: adds ? [startCircuit(false), startCircuit(true)] : [startCircuit(false)],
      partedMs: 0,
      trusts: site.inlets.map(startChannelTrust),
    };
  },
  observe(event, { about, state, view, values }): Verdict | undefined {
    if (about === undefined || (event.kind !== 'meter' && event.kind !== 'battery')) return undefined;
    const { inlet, breakerA, accuracy } = about;
    const isMeter = event.kind === 'meter';
    if (isMeter) {
      learnTrusts(state, about, event, view);
      if (haveLegsParted(event, view.site)) state.partedMs = event.at;
    } else if (view.grid.present === false) {
      // In an outage a battery feeds its own outlets: only the channel says what the inlet carries.
      return undefined;
    }
    const isParted = state.partedMs > 0 && event.at - state.partedMs < PARTED_MS;
    let worst: Circuit | undefined;
    let heard = false;
    let below = true;

    for (const circuit of state.circuits) {
      if (!isMeter && circuit.meterHeld) believeMeter(state, circuit, about, view, isParted);
      if (!measureCircuit(inlet, circuit.wholeBreaker, event, view, load)) continue;
      if (circuit.wholeBreaker && anotherIsOver(inlet, event, view, isParted)) continue;
      heard = true;
      const ratio = circuit.wholeBreaker
        ? ampsOf(load, view.site, isParted) / breakerA
        : ratioOf(load, inlet, view.site, isParted);
      const hold = isMeter ? circuit.meter : circuit.batteries;
      heatBreaker(isMeter ? circuit.heat.meter : circuit.heat.batteries, hold.at, event.at, breakerA);
      observeHold(hold, event.at, ratio, load.periodMs, 1 + accuracy, 1);
      const atOnce = ratio >= values.atOncePct / 100 && load.sources === 1 && load.plausible;
      const held = atOnce || isHeld(hold, load.sources, accuracy, values.holdSeconds * 1000);
      if (isMeter) circuit.meterHeld = held;
      if (held) {
        const isOver = !isMeter || isBelieved(state, circuit, inlet, event, view);
        if (isOver && circuit.witness === null) begin(circuit, isMeter ? 'meter' : 'batteries', hold.sinceMs);
      }
      if (isBelow(circuit, event.at, values.clearPct / 100)) {
        if (circuit.witness !== null) noteBelow(circuit, event.at, values.clearSeconds * 1000);
        continue;
      }
      circuit.belowSinceMs = null;
      below = false;
      if (circuit.witness === null) continue;
      notePeak(circuit, ratio);
      if (worst === undefined || circuit.peakRatio > worst.peakRatio) worst = circuit;
    }
    if (worst !== undefined) return present(worst, about, event.at, view.site);
    return heard && below ? ABSENT : undefined;
  },
  words: ({ subject, facts }) => words(subject, facts),
});

/** The word of the event at hand; used up before the next circuit is measured. */
const load = emptyCircuitLoad();
const loadOfAnother = emptyCircuitLoad();

interface About {
  readonly inlet: SiteInlet;
  /** Rating of its breaker; the least where inlets that share it are registered differently. */
  readonly breakerA: number;
  /** The inlets whose channels its circuits rest on, with their places in the site. */
  readonly members: readonly (readonly [number, SiteInlet])[];
  /** The meter's, as a share. */
  readonly accuracy: number;
}

function aboutCircuit(subject: string, site: Site): About | undefined {
  const inlet = inletNamed(site, subject);
  if (inlet === undefined) return undefined;
  const sharing = [...site.inlets.entries()].filter(
    ([, other]) => other === inlet || shareBreaker(inlet, other),
  );
  return {
    inlet,
    breakerA: Math.min(...sharing.map(([, { breakerAmps }]) => breakerAmps)),
    members: sharing.filter(([, other]) => other === inlet || isFirstOfBreaker(inlet, site)),
    accuracy: site.meter.accuracyPct / 100,
  };
}

/** The load as a share of what the inlet may carry. */
function ratioOf(load: CircuitLoad, inlet: SiteInlet, site: Site, isParted: boolean): number {
  return Math.max(ampsOf(load, site, isParted) / inlet.capAmps, Math.abs(load.watts) / inlet.capWatts);
}

/** What a leg draws for want of voltage is the open neutral's, and told as that. */
function ampsOf({ amps, watts }: CircuitLoad, site: Site, isParted: boolean): number {
  return isParted ? Math.min(Math.abs(amps), Math.abs(watts) / site.service.nominalVolts) : Math.abs(amps);
}

/** One leg up, the other down, and their sum as it was: the mark of an open neutral. */
function haveLegsParted({ l1V, l2V }: MeterReading, site: Site): boolean {
  if (l1V === null || l2V === null) return false;
  const nominalV = site.service.nominalVolts;
  return Math.abs(l1V + l2V - 2 * nominalV) < 0.08 * nominalV && Math.abs(l1V - l2V) > 0.1 * nominalV;
}

/** An inlet that is over its own cap is told by itself: then the breaker's sum is no second fault. */
function anotherIsOver(inlet: SiteInlet, event: SiteEvent, view: SiteView, isParted: boolean): boolean {
  for (const other of view.site.inlets) {
    if (other === inlet || !shareBreaker(inlet, other)) continue;
    const heard =
      event.kind === 'meter'
        ? measureCircuit(other, false, event, view, loadOfAnother)
        : measureBatteries(other, view, loadOfAnother);
    if (heard && ratioOf(loadOfAnother, other, view.site, isParted) > 1) return true;
  }
  return false;
}

/**
 * Over for long enough, by more than the accuracy. The mean of few readings has to stand clear by what noise
 * within the accuracy leaves to it; a sum of batteries that report at different moments needs each of them
 * to have reported again, or one that stops as another starts would look like both.
 */
function isHeld(hold: Hold, sources: number, accuracy: number, holdMs: number): boolean {
  if (hold.readings <= sources || hold.heldMs < holdMs) return false;
  return hold.meanRatio > 1 + accuracy * (1 + NOISE_SHARE / Math.sqrt(hold.readings));
}

function learnTrusts(state: State, { members }: About, meter: MeterReading, view: SiteView): void {
  for (const [place, inlet] of members) {
    const trust = state.trusts[place];
    if (trust !== undefined) learnChannelTrust(trust, inlet, meter, view);
  }
}

/** The batteries agree, or what the channels show beyond them is another load's. */
function isBelieved(
  state: State,
  circuit: Circuit,
  inlet: SiteInlet,
  meter: MeterReading,
  view: SiteView,
): boolean {
  if (circuit.witness !== null || circuit.batteries.readings > 0) return true;
  // Exchanged clamps show the other inlet's load, under another cap; the batteries still speak for their own.
  if (!circuit.wholeBreaker && swappedLogOdds(view.wiring.inlets) >= ACCEPT_LOG_ODDS) return false;
  return state.trusts.every((trust, i) => {
    const other = view.site.inlets[i];
    if (other === undefined || (other !== inlet && !circuit.wholeBreaker)) return true;
    return channelTrust(trust, other, meter, view, circuit.meter.sinceMs) === 'believed';
  });
}

/** At a battery's word that the channel had to wait for. */
function believeMeter(state: State, circuit: Circuit, about: About, view: SiteView, isParted: boolean): void {
  const { inlet, breakerA } = about;
  const { meter, site } = view;
  if (circuit.witness !== null || meter === null) return;
  learnTrusts(state, about, meter, view);
  if (!isBelieved(state, circuit, inlet, meter, view)) return;
  if (!measureCircuit(inlet, circuit.wholeBreaker, meter, view, load)) return;
  begin(circuit, 'meter', circuit.meter.sinceMs);
  notePeak(
    circuit,
    circuit.wholeBreaker ? ampsOf(load, site, isParted) / breakerA : ratioOf(load, inlet, site, isParted),
  );
}

function isBelow(circuit: Circuit, nowMs: number, clearRatio: number): boolean {
  return !isStillOver(circuit.meter, nowMs, clearRatio) && !isStillOver(circuit.batteries, nowMs, clearRatio);
}

function isStillOver(hold: Hold, nowMs: number, clearRatio: number): boolean {
  return hold.ratio >= clearRatio && nowMs - hold.at <= SILENT_MS;
}

function startCircuit(wholeBreaker: boolean): Circuit {
  return {
    wholeBreaker,
    meter: startHold(),
    batteries: startHold(),
    heat: { meter: { usedFraction: 0 }, batteries: { usedFraction: 0 } },
    meterHeld: false,
    witness: null,
    sinceMs: 0,
    belowSinceMs: null,
    peakRatio: 0,
    peakA: 0,
    peakW: 0,
  };
}

/** It is over no more when every witness has been below the clearing limit for long enough. */
function noteBelow(circuit: Circuit, atMs: number, clearMs: number): void {
  circuit.belowSinceMs ??= atMs;
  if (atMs - circuit.belowSinceMs < clearMs) return;
  circuit.belowSinceMs = null;
  circuit.witness = null;
}

function begin(circuit: Circuit, witness: Witness, sinceMs: number): void {
  circuit.witness = witness;
  circuit.sinceMs = sinceMs;
  circuit.peakRatio = 0;
}

/** Counts the time since a witness's last reading at the present load; a gap for no more than a few readings. */
function heatBreaker(heat: BreakerHeat, lastMs: number, atMs: number, ratedA: number): void {
  if (lastMs === 0 || atMs <= lastMs) return;
  const dtMs = Math.min(atMs - lastMs, GAP_PERIODS * load.periodMs);
  const used = advanceBreakerHeat(heat, load.amps, ratedA, dtMs / 1000);
  if (used > 0) heat.usedFraction = rounded(used, 5);
}

function notePeak(circuit: Circuit, ratio: number): void {
  if (ratio <= circuit.peakRatio + 1e-4) return;
  circuit.peakRatio = rounded(ratio, 4);
  circuit.peakA = load.amps;
  circuit.peakW = load.watts;
}

function present(circuit: Circuit, { inlet, breakerA }: About, atMs: number, site: Site): Verdict {
  const { sinceMs, witness, wholeBreaker, peakRatio } = circuit;
  const peakA = rounded(Math.abs(circuit.peakA), 1);
  const peakW = rounded(Math.abs(circuit.peakW));
  const limitA = wholeBreaker ? breakerA : inlet.capAmps;
  const byPower = !wholeBreaker && peakA <= limitA;
  const tripPct = Math.round(100 * circuit.heat[witness ?? 'meter'].usedFraction);
  const devices = site.batteries
    .filter((b) => b.inlet === inlet.number || wholeBreaker)
    .map((battery) => battery.device);
  const source =
    witness === 'meter' ? `${site.meter.device} inlet${inlet.number}` : `${devices.join(' + ')} ac`;
  return {
    is: 'present',
    sinceMs,
    confidence: 1,
    facts: {
      peakA,
      peakW,
      limitA,
      limitW: inlet.capWatts,
      byPower,
      wholeBreaker,
      overPct: Math.round(100 * (peakRatio - 1)),
    },
    evidence: () => ({
      fromMs: sinceMs - 10 * 60_000,
      toMs: atMs,
      series: [
        `${site.meter.device} inlet${inlet.number}.i`,
        `${site.meter.device} inlet${inlet.number}.p`,
        ...devices.map((device) => `${device} ac.p`),
      ],
      figures: [
        { label: 'Highest current', value: peakA, unit: 'A', source: `${source}.i` },
        { label: 'Highest power', value: peakW, unit: 'W', source: `${source}.p` },
        { label: 'Over for', value: Math.round((atMs - sinceMs) / 1000), unit: 's', source: 'readings' },
        { label: wholeBreaker ? 'Breaker' : 'Cap', value: limitA, unit: 'A', source: 'site registration' },
        {
          label: "Of the breaker's latest trip time used up",
          value: tripPct,
          unit: '%',
          source: 'UL 489: 1 h at 135 %, 2 min at 200 % up to 30 A; below 135 % it need never trip',
        },
        ...(wholeBreaker
          ? []
          : [{ label: 'Cap', value: inlet.capWatts, unit: 'W', source: 'site registration' }]),
      ],
    }),
  };
}

function words(subject: string, facts: Facts): Words {
  const what = facts['wholeBreaker'] === true ? 'The inlets on the breaker of ' : '';
  const carries = what === '' ? 'carries' : 'carry together';
  const over =
    facts['byPower'] === true
      ? `${facts['peakW']} W, more than its cap of ${facts['limitW']} W`
      : `${facts['peakA']} A, more than the ${facts['limitA']} A it may carry`;
  return {
    headline: `${what}${what === '' ? capitalized(subject) : subject} ${carries} ${over}.`,
    explanation: `The circuit has stood ${facts['overPct']} % over its limit. A breaker need not trip below 135 % of its rating (UL 489), so nothing on site stops this, while plug, inlet and connections heat up.`,
    steps: [
      'Lower the charge and discharge limits of what is on this circuit until their sum stays below the limit, and below 80 % of the breaker where it lasts 3 hours or more.',
      'Ask what else is fed from this circuit: only the battery should be.',
      'Have plug, inlet and terminals looked at for heat marks, with the battery switched off and unplugged.',
    ],
    caution:
      'Never fit a larger breaker on the same conductors. The circuit is live from two sides, the grid and the battery. Work inside the panel is for a licensed electrician, under the local code: the line side stays live with the main breaker open.',
    homeowner:
      'Your battery is drawing or feeding more than its power inlet is made for: switch the battery off at its own switch if you can reach it safely, leave the panel closed, and call your installer.',
  };
}

function capitalized(text: string): string {
  return text.charAt(0).toUpperCase() + text.slice(1);
}
