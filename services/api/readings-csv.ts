// RFC 4180: one row a device and time, one column a quantity in its name on the wire. A missing value is empty.

import type { Columns } from '@afterwatt/store';

export interface DeviceColumns extends Columns {
  readonly device: string;
}

/** Rows by device, then by time; no field needs quotes: names, numbers, times and states have no commas. */
export function readingsCsv(devices: readonly DeviceColumns[]): string {
  const quantities = [...new Set(devices.flatMap(({ columns }) => [...columns.keys()]))];
  const lines = [['time', 'device', ...quantities].join(',')];
  for (const { device, times, columns } of devices) {
    const cells = quantities.map((quantity) => columns.get(quantity));
    for (const [index, at] of times.entries()) {
      lines.push([at.toISOString(), device, ...cells.map((column) => column?.[index] ?? '')].join(','));
    }
  }
  return `${lines.join('\r\n')}\r\n`;
}
