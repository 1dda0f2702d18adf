// What devices say of themselves, each message kept: firmware and self-tests are history too.

import type { DeviceState } from '@afterwatt/wire';
import type { Transaction } from 'kysely';
import type pg from 'pg';
import type { Tables } from './tables.ts';

export interface DeviceStateRow {
  readonly siteNo: number;
  readonly deviceNo: number;
  readonly receivedAtMs: number;
  readonly state: DeviceState;
}

/** In the connection's open transaction; two messages of a device in the same millisecond count as one. */
export async function insertDeviceStates(
  client: pg.ClientBase,
  states: readonly DeviceStateRow[],
): Promise<void> {
  if (states.length === 0) return;
  const column = <T>(pick: (row: DeviceStateRow) => T) => states.map(pick);
  await client.query(
    `insert into device_state (received_at, site_no, device_no, online, firmware, self_test_at, self_test_passed,
       self_test_detail, clock_at, settings)
     select * from unnest($1::timestamptz[], $2::integer[], $3::integer[], $4::boolean[], $5::text[],
       $6::timestamptz[], $7::boolean[], $8::text[], $9::timestamptz[], $10::jsonb[])
     on conflict do nothing`,
    [
      column((row) => new Date(row.receivedAtMs)),
      column((row) => row.siteNo),
      column((row) => row.deviceNo),
      column((row) => row.state.online),
      column((row) => row.state.firmware),
      column((row) => (row.state.selfTest === null ? null : new Date(row.state.selfTest.at))),
      column((row) => row.state.selfTest?.passed ?? null),
      column((row) => row.state.selfTest?.detail ?? null),
      column((row) => (row.state.clock === null ? null : new Date(row.state.clock))),
      column((row) => (row.state.settings === null ? null : JSON.stringify(row.state.settings))),
    ],
  );
}

export interface StoredDeviceState {
  readonly device: string;
  readonly kind: 'meter' | 'battery';
  readonly receivedAt: Date;
  readonly online: boolean | null;
  readonly firmware: string | null;
  readonly selfTestAt: Date | null;
  readonly selfTestPassed: boolean | null;
  readonly selfTestDetail: string | null;
  readonly clockAt: Date | null;
  readonly settings: object | null;
}

/** A place in the list, newest first. */
export interface StatePlace {
  readonly receivedAt: Date;
  readonly device: string;
}

export interface StateFilter {
  readonly siteNo: number;
  /** Devices; none = all of the kinds. */
  readonly devices: readonly string[];
  readonly kinds: readonly StoredDeviceState['kind'][];
  /** Included; not included. */
  readonly from: Date | undefined;
  readonly to: Date | undefined;
  readonly after: StatePlace | undefined;
  readonly limit: number;
}

/** What a site's devices said of themselves, newest first. The site must be open (`openSite`). */
export function listDeviceStates(tx: Transaction<Tables>, filter: StateFilter): Promise<StoredDeviceState[]> {
  let query = tx
    .selectFrom('device_state as s')
    .innerJoin('device as d', 'd.no', 's.device_no')
    .select(['d.id as device', 'd.kind', 's.received_at as receivedAt', 's.online', 's.firmware'])
    .select(['s.self_test_at as selfTestAt', 's.self_test_passed as selfTestPassed'])
    .select(['s.self_test_detail as selfTestDetail', 's.clock_at as clockAt', 's.settings'])
    .where('s.site_no', '=', filter.siteNo)
    .where('d.kind', 'in', filter.kinds);
  if (filter.devices.length > 0) query = query.where('d.id', 'in', filter.devices);
  if (filter.from !== undefined) query = query.where('s.received_at', '>=', filter.from);
  if (filter.to !== undefined) query = query.where('s.received_at', '<', filter.to);
  const { after } = filter;
  if (after !== undefined) {
    query = query.where((eb) =>
      eb.or([
        eb('s.received_at', '<', after.receivedAt),
        eb.and([eb('s.received_at', '=', after.receivedAt), eb('d.id', '>', after.device)]),
      ]),
    );
  }
  return query.orderBy('s.received_at', 'desc').orderBy('d.id').limit(filter.limit).execute();
}
