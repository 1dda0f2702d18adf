// Is the grid there? The batteries say so (`grid`); the meter's service voltage stands in where they are silent.

import { z } from 'zod';
import type { Model } from '../site-view.ts';

/** Below this the service is dead: IEEE 1159-2009 table 2, interruption below 0.1 pu. */
const DEAD_SERVICE_PU = 0.1;

const schema = z.object({
  /** null until anything was heard. */
  present: z.boolean().nullable(),
  /** Device time at which it took its present value. */
  sinceMs: z.number(),
});

export type GridState = z.infer<typeof schema>;

export const gridModel: Model<GridState> = {
  state: schema,
  start: () => ({ present: null, sinceMs: 0 }),
  observe(state, event, view) {
    let heard: boolean | null = null;
    if (event.kind === 'battery') heard = event.gridPresent;
    else if (event.kind === 'meter' && event.l1V !== null && event.l2V !== null) {
      const dead = Math.max(event.l1V, event.l2V) < DEAD_SERVICE_PU * view.site.service.nominalVolts;
      // A meter on a live panel proves nothing in an outage: the battery feeds it.
      if (dead || state.present === null) heard = !dead;
    }
    if (heard !== null && heard !== state.present) {
      state.present = heard;
      state.sinceMs = event.at;
    }
  },
};
