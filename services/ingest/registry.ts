// Which site and device a topic names, kept in memory and brought up to date from the database.

import { type Database, listRegisteredDevices, type RegisteredDevice } from '@afterwatt/store';

export interface Registry {
  /** @returns undefined for a device that is not registered */
  find(site: string, device: string): RegisteredDevice | undefined;
  /** The company of a registered site. */
  companyOf(site: string): string | undefined;
  /**
   * Reads what changed, unless that was done later than `sinceMs`: a site registered a moment ago may publish at
   * once, and many messages of unknown devices cost one query.
   */
  refresh(sinceMs: number): Promise<void>;
}

export function createRegistry(db: Database): Registry {
  const sites = new Map<
    string,
    { company: string; siteNo: number; devices: Map<string, RegisteredDevice> }
  >();
  let tx = 0;
  let readMs = 0;
  let reading: Promise<void> | undefined;

  async function read(): Promise<void> {
    const startedMs = Date.now();
    const { devices, completeTx } = await listRegisteredDevices(db, tx);
    tx = completeTx;
    readMs = startedMs;
    const fresh = new Set<number>();
    for (const row of devices) {
      if (row.deleted) {
        if (sites.get(row.site)?.siteNo === row.siteNo) sites.delete(row.site);
        continue;
      }
      let known = sites.get(row.site);
      if (known === undefined || !fresh.has(row.siteNo)) {
        known = { company: row.company, siteNo: row.siteNo, devices: new Map() };
        sites.set(row.site, known);
        fresh.add(row.siteNo);
      }
      if (row.device !== '') known.devices.set(row.device, row);
    }
  }

  return {
    find: (site, device) => sites.get(site)?.devices.get(device),
    companyOf: (site) => sites.get(site)?.company,
    async refresh(sinceMs) {
      while (readMs <= sinceMs) {
        reading ??= read().finally(() => {
          reading = undefined;
        });
        await reading;
      }
    },
  };
}
