// What devices say of themselves, each message kept: firmware and self-tests are history too.

import type { DeviceState } from '@afterwatt/wire';
import type pg from 'pg';

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
