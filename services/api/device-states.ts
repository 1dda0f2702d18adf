// What the devices of a site said of themselves, with its history: connections, firmware, self-tests, settings.

import { asCaller, findSite, listDeviceStates, openSite, type StoredDeviceState } from '@afterwatt/store';
import { idSchema, strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { callerOf, EVERYONE } from './callers.ts';
import { cursorOf, listOf, pageOf } from './page.ts';
import { instant, limit, manyOf } from './query-fields.ts';
import { getSite, siteParams } from './sites.ts';

const statesQuery = strictObject({
  device: manyOf(idSchema).describe('Default: all devices of the site.'),
  from: instant.optional().describe('Received from then on.'),
  to: instant.optional().describe('Received before.'),
  limit,
  cursor: cursorOf(z.object({ receivedAt: z.coerce.date(), device: z.string() })),
});

const stateAnswer = z
  .object({
    device: z.string(),
    receivedAt: time,
    online: z.boolean().nullable().describe('false also in the Last Will of a connection that was lost.'),
    firmware: z.string().nullable(),
    selfTest: z
      .object({ at: time, passed: z.boolean().nullable(), detail: z.string().nullable() })
      .nullable(),
    clock: time.nullable().describe("The device's own clock as it published."),
    settings: z.record(z.string(), z.unknown()).nullable(),
  })
  .meta({ id: 'DeviceState', description: 'One message of a device about itself; null = it did not say.' });

export function deviceStateRoutes(app: App, { connection }: Deps): void {
  app.route({
    method: 'GET',
    url: '/v1/sites/:id/device-states',
    config: { roles: EVERYONE },
    schema: {
      tags: ['sites'],
      summary: 'What the devices of a site said of themselves, newest first',
      description:
        'Every message of the state topic and every Last Will is kept. Homeowners read batteries only.',
      params: siteParams,
      querystring: statesQuery,
      response: { 200: listOf(stateAnswer) },
    },
    async handler(request, reply) {
      const { id } = request.params;
      const { device: devices, from, to, limit, cursor: after } = request.query;
      const caller = callerOf(request);
      const rows = await asCaller(connection.db, caller, async (tx) => {
        const { no } = getSite(await findSite(tx, id), id);
        await openSite(tx, no);
        return listDeviceStates(tx, {
          ...{ siteNo: no, devices, from, to, after, limit: limit + 1 },
          kinds: caller.role === 'homeowner' ? ['battery'] : ['meter', 'battery'],
        });
      });
      const placeOf = ({ receivedAt, device }: StoredDeviceState) => ({ receivedAt, device });
      return pageOf({ request, reply, rows, limit, placeOf, item: answerOf });
    },
  });
}

function answerOf(state: StoredDeviceState): z.infer<typeof stateAnswer> {
  const { device, receivedAt, online, firmware, selfTestAt, clockAt, settings } = state;
  return {
    ...{ device, receivedAt: receivedAt.toISOString(), online, firmware },
    selfTest:
      selfTestAt === null
        ? null
        : { at: selfTestAt.toISOString(), passed: state.selfTestPassed, detail: state.selfTestDetail },
    clock: clockAt?.toISOString() ?? null,
    settings: settings === null ? null : { ...settings },
  };
}
