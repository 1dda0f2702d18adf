// Readings of a site over a window, as they came or rolled up, as columns in JSON or as CSV.

import {
  asCaller,
  BIN_MS,
  BINS,
  type Columns,
  findSite,
  listColumns,
  listDevices,
  openSite,
  QUANTITY_NAMES,
  ROLLED_NAMES,
  readKeptSince,
  type StoredDevice,
} from '@afterwatt/store';
import { idSchema, type Site, strictObject } from '@afterwatt/wire';
import type { FastifyRequest } from 'fastify';
import { z } from 'zod';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { callerOf, EVERYONE } from './callers.ts';
import { invalidQuery, Problem } from './problem.ts';
import { instant, manyOf } from './query-fields.ts';
import { type DeviceColumns, readingsCsv } from './readings-csv.ts';
import { getSite, siteParams } from './sites.ts';

/** When neither end of the window is named. */
const DEFAULT_WINDOW_MS = 3_600_000;
/** Times in one answer, over all devices: five days and a half of a meter that reports every 5 s. */
const MOST_TIMES = 100_000;

/** `auto` takes the finest that stays below so many times a device: about as many as a screen has columns. */
const TIMES_TO_DRAW = 2_000;

const ALL_QUANTITIES: readonly string[] = [...new Set([...QUANTITY_NAMES.meter, ...QUANTITY_NAMES.battery])];
const OF_ROLL_UPS: readonly string[] = [...new Set([...ROLLED_NAMES.meter, ...ROLLED_NAMES.battery])];

const readingsQuery = strictObject({
  device: manyOf(idSchema).describe('Default: all devices of the site.'),
  quantities: manyOf(
    z.string().refine((name) => ALL_QUANTITIES.includes(name) || OF_ROLL_UPS.includes(name), {
      error: `must be among ${[...ALL_QUANTITIES, ...OF_ROLL_UPS].join(', ')}`,
    }),
  ).describe(
    `Names as on the wire, such as l1.v,l2.v. Default: all that were reported. Rolled up also: .min, .max and .count of each (l1.v.min); the energy of a power's parts above and below zero, Wh (l1.p.energy-pos, l1.p.energy-neg; service.p for both legs together), by the trapezoid between readings, no gap of more than five periods bridged; \`covered\`, the seconds that it covers; \`readings\`, how many; what a register counted in that time, Wh, and by how much the energy exceeds it (import.moved, import.excess; the same of export); \`registers.differ\`, whether that is more than 20 Wh and 5 %.`,
  ),
  from: instant
    .optional()
    .describe('Included, with the whole stretch that it lies in. Default: an hour before `to`.'),
  to: instant.optional().describe('Not included. Default: now.'),
  resolution: z
    .enum(['raw', ...BINS, 'auto'], { error: `must be raw, ${BINS.join(', ')} or auto` })
    .default('raw')
    .describe(
      "Rolled up to stretches of time, named by their start: means (of voltages the root of the mean square, IEC 61000-4-30), of registers and seq the highest value, of states the share of readings. A day is the site's own, of 23 to 25 hours. auto: the finest that is still kept and not too much to draw.",
    ),
});

const readingsAnswer = z
  .object({
    resolution: z.enum(['raw', ...BINS]),
    devices: z.array(
      z.object({
        device: z.string(),
        times: z.array(time),
        columns: z.record(z.string(), z.array(z.union([z.number(), z.boolean(), z.null()]))),
      }),
    ),
  })
  .meta({ id: 'Readings' });

export function readingRoutes(app: App, { connection }: Deps): void {
  app.route({
    method: 'GET',
    url: '/v1/sites/:id/readings',
    config: { roles: EVERYONE },
    schema: {
      tags: ['readings'],
      summary: 'Readings of a site over a window',
      description: `JSON, or CSV for Accept: text/csv. At most ${MOST_TIMES} times. Homeowners read batteries only.`,
      params: siteParams,
      querystring: readingsQuery,
      response: {
        200: {
          description: 'Ascending in time, one column a quantity.',
          content: { 'application/json': { schema: readingsAnswer }, 'text/csv': { schema: z.string() } },
        },
      },
    },
    async handler(request, reply) {
      const { id } = request.params;
      const { device: names, quantities } = request.query;
      const format = formatOf(request);
      const window = windowOf(request.query);
      checkRolledUp(request.query.resolution, quantities);
      const { resolution, devices } = await asCaller(connection.db, callerOf(request), async (tx) => {
        const { no, site } = getSite(await findSite(tx, id), id);
        await openSite(tx, no);
        const readable = (await listDevices(tx, no)).filter(
          ({ kind }) => callerOf(request).role !== 'homeowner' || kind === 'battery',
        );
        const bin =
          request.query.resolution === 'auto'
            ? autoOf({ site, window, quantities, kept: await readKeptSince(tx) })
            : request.query.resolution;
        const read: DeviceColumns[] = [];
        let left = MOST_TIMES;
        for (const device of pick(readable, names)) {
          const columns = await listColumns(tx, {
            ...{ siteNo: no, device, timeZone: site.timeZone, bin, limit: left + 1 },
            ...{ quantities: quantities.length > 0 ? quantities : QUANTITY_NAMES[device.kind], ...window },
          });
          left -= columns.times.length;
          if (left < 0) throw tooMuch();
          if (columns.columns.size === 0) continue;
          read.push({ device: device.id, ...(quantities.length > 0 ? columns : withoutEmpty(columns)) });
        }
        return { resolution: bin, devices: read };
      });
      // Sent as text: checking a hundred thousand rows against a schema would take longer than reading them.
      if (format === 'csv') return reply.type('text/csv; charset=utf-8').send(readingsCsv(devices));
      const body = { resolution, devices: devices.map(answerOf) } satisfies z.infer<typeof readingsAnswer>;
      return reply.type('application/json; charset=utf-8').send(JSON.stringify(body));
    },
  });
}

interface Window {
  readonly from: Date;
  readonly to: Date;
}

function windowOf(given: { from?: Date | undefined; to?: Date | undefined }): Window {
  const to = given.to ?? new Date();
  const from = given.from ?? new Date(to.getTime() - DEFAULT_WINDOW_MS);
  if (from < to) return { from, to };
  const detail = `from is ${from.toISOString()}: must be before to, ${to.toISOString()}`;
  throw invalidQuery([{ in: 'query', pointer: '#/from', detail }]);
}

/** Raw readings have no minimum. */
function checkRolledUp(resolution: string, quantities: readonly string[]): void {
  if (resolution !== 'raw') return;
  const rolled = quantities.filter((name) => OF_ROLL_UPS.includes(name));
  if (rolled.length === 0) return;
  const detail = `resolution is "raw": must be ${BINS.join(', ')} or auto for ${rolled.join(', ')}`;
  throw invalidQuery([{ in: 'query', pointer: '#/resolution', detail }]);
}

interface AutoOptions {
  readonly site: Site;
  readonly window: Window;
  readonly quantities: readonly string[];
  readonly kept: { readonly readings: Date; readonly minutes: Date };
}

function autoOf(options: AutoOptions): z.infer<typeof readingsAnswer>['resolution'] {
  const { site, quantities, kept } = options;
  const { from, to } = options.window;
  const fits = (everyMs: number) => (to.getTime() - from.getTime()) / everyMs <= TIMES_TO_DRAW;
  const periodS = Math.min(
    site.meter.periodSeconds,
    ...site.batteries.map((battery) => battery.periodSeconds),
  );
  const isRaw = from >= kept.readings && !quantities.some((name) => OF_ROLL_UPS.includes(name));
  if (isRaw && fits(periodS * 1000)) return 'raw';
  return BINS.find((bin) => fits(BIN_MS[bin]) && (bin !== '1m' || from >= kept.minutes)) ?? '1d';
}

function pick(devices: readonly StoredDevice[], names: readonly string[]): readonly StoredDevice[] {
  const ids = devices.map(({ id }) => id);
  const unknown = names.filter((name) => !ids.includes(name));
  if (unknown.length > 0) {
    const detail = `device is "${unknown.join(', ')}": must be among this site's devices, ${ids.join(', ')}`;
    throw invalidQuery([{ in: 'query', pointer: '#/device', detail }]);
  }
  return names.length === 0 ? devices : devices.filter(({ id }) => names.includes(id));
}

function withoutEmpty({ times, columns }: Columns): Columns {
  return { times, columns: new Map([...columns].filter(([, cells]) => cells.some((cell) => cell !== null))) };
}

function answerOf({ device, times, columns }: DeviceColumns) {
  return {
    device,
    times: times.map((at) => at.toISOString()),
    columns: Object.fromEntries([...columns].map(([quantity, cells]) => [quantity, [...cells]])),
  };
}

function tooMuch(): Problem {
  const detail = `That is more than ${MOST_TIMES} times. Ask for a shorter window, fewer devices, or a coarser resolution (auto picks one).`;
  return new Problem({ status: 422, code: 'too-much', detail });
}

/** The better liked of the two that there are; JSON where nothing is said (RFC 9110 section 12.5.1). */
function formatOf({ headers }: FastifyRequest): 'json' | 'csv' {
  const ranges = (headers.accept ?? '*/*').split(',').map((range) => {
    const [type, ...parameters] = range
      .trim()
      .toLowerCase()
      .split(/\s*;\s*/);
    const q = parameters.find((parameter) => parameter.startsWith('q='))?.slice(2);
    return { type, q: q === undefined ? 1 : Number(q) };
  });
  const liking = (...types: string[]) =>
    types.map((type) => ranges.find((range) => range.type === type)?.q).find((q) => q !== undefined) ?? 0;
  const json = liking('application/json', 'application/*', '*/*');
  const csv = liking('text/csv', 'text/*', '*/*');
  if (json <= 0 && csv <= 0) {
    const detail = 'Readings come as application/json or text/csv.';
    throw new Problem({ status: 406, code: 'not-acceptable', detail });
  }
  return csv > json ? 'csv' : 'json';
}
