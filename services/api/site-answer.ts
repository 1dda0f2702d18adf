// A site as callers see it: all of it for staff; for its homeowner, what it stores and when, and no wiring.

import type { CallerRole, HeardDevice, StoredSite } from '@afterwatt/store';
import { siteSchema } from '@afterwatt/wire';
import { z } from 'zod';
import { time } from './answer-fields.ts';

const deviceAnswer = z.object({
  device: z.string(),
  kind: z.enum(['meter', 'battery']),
  lastReadingAt: time.nullable(),
  online: z
    .boolean()
    .nullable()
    .describe('As its state message or Last Will says; null when it never sent one.'),
  firmware: z.string().nullable(),
});

const times = {
  createdAt: time,
  updatedAt: time,
  devices: z
    .array(deviceAnswer)
    .optional()
    .describe('What was last heard of each device; of one site alone.'),
};

const staffAnswer = z
  .object({ ...siteSchema.shape, ...times })
  .meta({ id: 'Site', description: 'A site as it is registered, with every default filled in.' });

const homeAnswer = z
  .object({
    id: z.string(),
    name: z.string(),
    timeZone: z.string(),
    batteries: z.array(z.object({ device: z.string(), capacityWh: z.number(), reservePct: z.number() })),
    tariff: siteSchema.shape.tariff,
    storm: siteSchema.shape.storm,
    ...times,
  })
  .meta({ id: 'HomeSite', description: 'A site as its homeowner sees it: no wiring detail.' });

export const siteAnswer = z.union([staffAnswer, homeAnswer]);

/** @param devices what was heard, where the answer tells it */
export function siteAnswerFor(
  role: CallerRole,
  { site, createdAt, updatedAt }: StoredSite,
  devices?: readonly HeardDevice[],
): z.infer<typeof siteAnswer> {
  const told = {
    createdAt: createdAt.toISOString(),
    updatedAt: updatedAt.toISOString(),
    ...(devices === undefined ? {} : { devices: devices.map(deviceOf) }),
  };
  if (role !== 'homeowner') return { ...site, ...told };
  const { id, name, timeZone, tariff, storm } = site;
  const batteries = site.batteries.map(({ device, capacityWh, reservePct }) => ({
    device,
    capacityWh,
    reservePct,
  }));
  const ownDevices = told.devices?.filter(({ kind }) => kind === 'battery');
  return {
    ...{ id, name, timeZone, batteries, tariff, storm, ...told },
    ...(ownDevices === undefined ? {} : { devices: ownDevices }),
  };
}

function deviceOf({ id, kind, lastReadingAt, online, firmware }: HeardDevice): z.infer<typeof deviceAnswer> {
  return { device: id, kind, lastReadingAt: lastReadingAt?.toISOString() ?? null, online, firmware };
}
