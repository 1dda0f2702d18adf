// Cases of hand-made homes on a running station: registered over HTTP, published over MQTT days after they happened,
// in one go, and asked for over HTTP.

import mqtt from 'mqtt';
import { z } from 'zod';
import { capMessage } from './cap-message.ts';
import { BATTERY, type Case, INLET } from './hand-made-faults.ts';
import { batteryRow, live, meterRow, type Row } from './hand-made-home.ts';
import { type PackStyle, packs } from './hand-made-pack.ts';
import type { Station } from './station.ts';

const DAY_S = 86_400;
/** Seconds between readings; longer cases come more slowly, so that a test stays a matter of seconds. */
const periodOf = (hours: number) => (hours <= 9 ? 10 : hours <= 48 ? 30 : 60);
/** A battery so hot for the last minutes of a case tells that everything before it was judged. */
const LAST_MINUTES_S = 600;
const HOT_C = 70;

/** How different makers send; cases take them in turns. */
const STYLES: readonly PackStyle[] = [
  { readings: 60, baseName: 'urn:dev:mac:020000fffe000004:' },
  { readings: 12, cbor: true, units: 'secondary' },
  { readings: 60, units: 'secondary-announced', baseName: 'home/panel/' },
  { readings: 30, cbor: true, units: 'left-out' },
];

const incidentSchema = z.looseObject({
  kind: z.string(),
  subject: z.string(),
  priority: z.string(),
  state: z.string(),
  late: z.boolean(),
  onsetAt: z.coerce.date(),
  detectedAt: z.coerce.date(),
  clearedAt: z.coerce.date().nullable(),
  headline: z.string(),
  explanation: z.string(),
  steps: z.array(z.string()),
  confidence: z.number(),
  evidence: z.object({
    series: z.array(z.string()),
    figures: z.array(
      z.object({
        label: z.string().min(1),
        value: z.union([z.number(), z.string()]),
        unit: z.string(),
        source: z.string().min(1),
      }),
    ),
  }),
});
export type FoundIncident = z.infer<typeof incidentSchema>;

export interface PlacedCase {
  readonly site: string;
  readonly fromS: number;
  readonly toS: number;
  /** Its incidents so far, oldest first, or undefined until all of it was judged. */
  found(): Promise<FoundIncident[] | undefined>;
}

export async function publishCases(
  station: Station,
  cases: readonly Case[],
): Promise<ReadonlyMap<Case, PlacedCase>> {
  const made = await station.call('POST', '/v1/gateway-credentials', {});
  const { username, secret } = z.object({ username: z.string(), secret: z.string() }).parse(made.body);
  const client = await mqtt.connectAsync(`mqtt://127.0.0.1:${station.mqttPort}`, {
    protocolVersion: 5,
    username,
    password: secret,
  });
  const placed = new Map<Case, PlacedCase>();
  const today = Math.floor(Date.now() / 1000 / DAY_S) * DAY_S;
  for (const [no, of] of cases.entries()) {
    const site = `case-${no + 1}`;
    const days = Math.ceil((of.startHour + of.hours) / 24);
    const fromS = today - (of.daysAgo - 1 + days) * DAY_S + of.startHour * 3_600;
    const periodS = of.periodS ?? periodOf(of.hours);
    await register(station, site, of, periodS);
    for (const storm of of.storms) await tellOf(station, capMessage(storm, fromS));
    await publish(client, site, of, fromS, periodS, STYLES[no % STYLES.length] ?? {});
    const toS = fromS + of.hours * 3_600;
    placed.set(of, { site, fromS, toS, found: () => incidentsOf(station, site, toS) });
  }
  await client.endAsync();
  return placed;
}

async function register(station: Station, site: string, of: Case, periodSeconds: number): Promise<void> {
  const { status, body } = await station.call('POST', '/v1/sites', {
    id: site,
    name: of.name.slice(0, 100),
    timeZone: 'America/Denver',
    meter: { device: 'meter-1', periodSeconds, accuracyPct: 1 },
    inlets: [INLET],
    batteries: [{ ...BATTERY, periodSeconds }],
    ...of.site,
  });
  if (status !== 201) throw new Error(`${of.name}: ${status} ${JSON.stringify(body)}`);
}

async function tellOf(station: Station, message: string): Promise<void> {
  const { status, body } = await station.call('POST', '/v1/storm-alerts', message, 'application/cap+xml');
  if (status !== 201) throw new Error(`${status} ${JSON.stringify(body)}`);
}

async function publish(
  client: mqtt.MqttClient,
  site: string,
  of: Case,
  fromS: number,
  periodS: number,
  style: PackStyle,
): Promise<void> {
  const hour = (at: number) => (at - fromS) / 3_600;
  const house = of.house(hour);
  const meter: Row[] = [];
  const batteries: Row[][] = house.inletLegs.map(() => []);
  let seq = 0;
  for (const now of live(house, fromS, fromS + of.hours * 3_600 + LAST_MINUTES_S, periodS)) {
    const isLast = hour(now.at) >= of.hours;
    const row = of.meter(meterRow(house, now, seq), hour(now.at), now);
    if (row !== undefined) meter.push(row);
    for (const [n, rows] of batteries.entries()) {
      const told = of.battery(batteryRow(house, now, n, seq), hour(now.at), now, n);
      if (told !== undefined) rows.push(isLast && n === 0 ? { ...told, temp: HOT_C } : told);
    }
    seq += 1;
  }
  const sends: { readonly topic: string; readonly at: number; readonly pack: Buffer }[] = [];
  const devices = new Map([['meter-1', meter]]);
  for (const [n, rows] of batteries.entries()) devices.set(`battery-${n + 1}`, rows);
  for (const [device, rows] of devices) {
    const topic = `afterwatt/v1/${site}/${device}`;
    const at = new Date((fromS + 600) * 1000).toISOString();
    const selfTest = of.selfTest ? { at, passed: true } : { at, passed: false };
    await client.publishAsync(`${topic}/state`, JSON.stringify({ online: true, selfTest }), {
      qos: 1,
      retain: true,
    });
    const size = style.readings ?? 1;
    for (const [k, pack] of packs(rows, style).entries())
      sends.push({ topic: `${topic}/readings`, at: rows[k * size]?.at ?? 0, pack });
  }
  const contentType = `application/senml+${style.cbor === true ? 'cbor' : 'json'}`;
  sends.sort((a, b) => a.at - b.at);
  for (let k = 0; k < sends.length; k += 100) {
    const some = sends.slice(k, k + 100);
    await Promise.all(
      some.map(({ topic, pack }) =>
        client.publishAsync(topic, pack, { qos: 1, properties: { contentType } }),
      ),
    );
  }
}

async function incidentsOf(
  station: Station,
  site: string,
  toS: number,
): Promise<FoundIncident[] | undefined> {
  const { body } = await station.call('GET', `/v1/incidents?site=${site}&limit=100`);
  const items = z.object({ items: z.array(incidentSchema) }).parse(body).items;
  const isOver = ({ detectedAt }: FoundIncident) => detectedAt.getTime() / 1000 >= toS;
  if (!items.some((incident) => incident.kind === 'battery-hot' && isOver(incident))) return undefined;
  const during = items.filter((incident) => !isOver(incident));
  return during.sort((a, b) => a.detectedAt.getTime() - b.detectedAt.getTime());
}
