// The figures of ISA-18.2 / IEC 62682 on how incidents burden those who answer them.

import { asCaller, readAlarmPerformance } from '@afterwatt/store';
import { strictObject } from '@afterwatt/wire';
import { z } from 'zod';
import { time } from './answer-fields.ts';
import type { App, Deps } from './app.ts';
import { callerOf, STAFF } from './callers.ts';
import { invalidQuery } from './problem.ts';
import { instant } from './query-fields.ts';

const DAY_MS = 86_400_000;
/** ISA-18.2 asks for at least 30 days. */
const DEFAULT_DAYS = 30;

const figure = z.object({
  value: z.number(),
  unit: z.string(),
  target: z
    .number()
    .nullable()
    .describe('The value to stay at or below; null where the standards name none.'),
  source: z.string(),
});

const performanceAnswer = z
  .object({
    from: time,
    to: time,
    raised: z.number().int(),
    byPriority: z.record(z.string(), z.number().int()),
    perSiteDay: figure,
    perPersonDay: figure,
    mostInTenMinutes: figure,
    floodSharePct: figure,
    topTenSharePct: figure,
    chattering: figure,
    stale: figure,
    topTen: z.array(z.object({ site: z.string().nullable(), kind: z.string(), raised: z.number().int() })),
  })
  .meta({ id: 'AlarmPerformance' });

export function alarmPerformanceRoutes(app: App, { connection }: Deps): void {
  app.route({
    method: 'GET',
    url: '/v1/alarm-performance',
    config: { roles: STAFF },
    schema: {
      tags: ['incidents'],
      summary:
        'Rates per site and person, top ten, chattering, stale and flood share, after ISA-18.2 / IEC 62682',
      querystring: strictObject({
        from: instant.optional().describe('Default: 30 days before `to`.'),
        to: instant.optional().describe('Not included. Default: now.'),
      }),
      response: { 200: performanceAnswer },
    },
    async handler(request) {
      const to = request.query.to ?? new Date();
      const from = request.query.from ?? new Date(to.getTime() - DEFAULT_DAYS * DAY_MS);
      if (from >= to) {
        const detail = `from is ${from.toISOString()}: must be before to, ${to.toISOString()}`;
        throw invalidQuery([{ in: 'query', pointer: '#/from', detail }]);
      }
      const counted = await asCaller(connection.db, callerOf(request), (tx) =>
        readAlarmPerformance(tx, from, to),
      );
      const days = (to.getTime() - from.getTime()) / DAY_MS;
      const inTopTen = counted.topTen.reduce((sum, { raised }) => sum + raised, 0);
      const pct = (part: number, whole: number) => (whole === 0 ? 0 : (100 * part) / whole);
      return {
        from: from.toISOString(),
        to: to.toISOString(),
        raised: counted.raised,
        byPriority: counted.byPriority,
        perSiteDay: {
          value: counted.sites === 0 ? 0 : counted.raised / counted.sites / days,
          ...{ unit: 'incidents a site and day', target: null, source: 'own measure' },
        },
        perPersonDay: {
          value: counted.people === 0 ? counted.raised / days : counted.raised / counted.people / days,
          ...{
            unit: 'incidents a person and day',
            target: 144,
            source: 'ISA-18.2-2016 16.4: likely acceptable',
          },
        },
        mostInTenMinutes: {
          value: counted.mostInTenMinutes,
          ...{ unit: 'incidents', target: 10, source: 'ISA-18.2-2016 16.4' },
        },
        floodSharePct: {
          value: pct(counted.floodStretches, counted.stretches),
          ...{ unit: '% of the time', target: 1, source: 'ISA-18.2-2016 16.4' },
        },
        topTenSharePct: {
          value: pct(inTopTen, counted.raised),
          ...{ unit: '% of all raised', target: 5, source: 'ISA-18.2-2016 16.4' },
        },
        chattering: { value: counted.chattering, unit: 'incidents', target: 0, source: 'ISA-18.2-2016 16.4' },
        stale: {
          value: counted.stale,
          ...{ unit: 'incidents', target: 5 * days, source: 'ISA-18.2-2016 16.4: fewer than 5 a day' },
        },
        topTen: counted.topTen.map((entry) => ({ ...entry })),
      };
    },
  });
}
