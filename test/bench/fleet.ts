// A fleet for the bench: sites of one company, each with a meter; what the meters say, as packs and as readings.

import type { Connection } from '@afterwatt/store';
import { emptyMeterReading, encodeReadings, type MeterReading, siteSchema, topicOf } from '@afterwatt/wire';

export interface FleetDevice {
  readonly topic: string;
  readonly siteNo: number;
  readonly deviceNo: number;
}

/** Registers `count` sites at once, as the API would one by one. */
export async function registerFleet({ pool }: Connection, count: number): Promise<FleetDevice[]> {
  const config = siteSchema.parse({ id: 'bench', name: 'bench', timeZone: 'America/Denver', batteries: [] });
  const sites = await pool.query<{ no: number; id: string }>(
    `insert into site (id, company, name, config)
     select 'bench-' || n, 'default', 'bench', jsonb_set($2::jsonb, '{id}', to_jsonb('bench-' || n))
     from generate_series(1, $1::int) n returning no, id`,
    [count, JSON.stringify(config)],
  );
  const devices = await pool.query<{ no: number; site_no: number }>(
    `insert into device (site_no, id, kind) select unnest($1::int[]), 'meter-1', 'meter' returning no, site_no`,
    [sites.rows.map((site) => site.no)],
  );
  const ids = new Map(sites.rows.map((site) => [site.no, site.id]));
  return devices.rows.map(({ no, site_no }) => ({
    topic: topicOf({ site: ids.get(site_no) ?? '', device: 'meter-1', kind: 'readings' }),
    siteNo: site_no,
    deviceNo: no,
  }));
}

/** A home with a load on each leg and a battery that charges on inlet 1: what a panel meter reports every 5 s. */
export function meterReading(device: number, atMs: number): MeterReading {
  const seq = Math.floor(atMs / 5000);
  const wander = ((seq * 37 + device * 101) % 977) / 10;
  const l1W = 900 + wander;
  const l2W = 350 + wander / 2;
  return {
    ...emptyMeterReading('meter-1', atMs),
    l1V: round(120.4 - wander / 100),
    l2V: round(121.1 - wander / 200),
    l1A: round(l1W / 120),
    l2A: round(l2W / 121),
    l1W: round(l1W),
    l2W: round(l2W),
    frequencyHz: 59.98,
    inlet1A: 5.02,
    inlet1W: 602.5,
    importWh: 1_523_402 + seq,
    exportWh: 0,
    rssiDbm: -61,
    seq: seq % 1_000_000,
  };
}

function round(value: number): number {
  return Math.round(value * 100) / 100;
}

export interface Pack {
  readonly topic: string;
  readonly payload: Buffer;
}

export interface PackShape {
  readonly readingsAPack: number;
  readonly format: 'json' | 'cbor';
}

export const PERIOD_MS = 5_000;

export interface DeviceReadings {
  readonly device: FleetDevice;
  readonly readings: readonly MeterReading[];
}

/**
 * What the packs of the whole fleet hold, device after device, from `fromMs` on; each device goes on where its last
 * pack ended.
 * @param packs how many in all
 */
export function* readingsOf(
  fleet: readonly FleetDevice[],
  readingsAPack: number,
  fromMs: number,
  packs: number,
): Generator<DeviceReadings> {
  for (let pack = 0; pack < packs; pack++) {
    const index = pack % fleet.length;
    const device = fleet[index];
    if (device === undefined) return;
    const startMs = fromMs + Math.floor(pack / fleet.length) * readingsAPack * PERIOD_MS;
    const readings = Array.from({ length: readingsAPack }, (_, at) =>
      meterReading(index, startMs + at * PERIOD_MS),
    );
    yield { device, readings };
  }
}

export function* packsOf(
  fleet: readonly FleetDevice[],
  { readingsAPack, format }: PackShape,
  fromMs: number,
  packs: number,
): Generator<Pack> {
  for (const { device, readings } of readingsOf(fleet, readingsAPack, fromMs, packs)) {
    const bytes = encodeReadings(readings, format);
    yield { topic: device.topic, payload: Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength) };
  }
}
