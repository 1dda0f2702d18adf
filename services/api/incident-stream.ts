// Server-sent events (WHATWG HTML, section 9.2): one for each transition the caller may see, in the order of
// commit. `id` is the place in that order, so that Last-Event-ID goes on exactly there.

import type { ServerResponse } from 'node:http';
import { isTransient } from '@afterwatt/runtime';
import {
  asCaller,
  currentFeedPlace,
  type FedTransition,
  type FeedPlace,
  findCallerAgain,
  listIncidentsById,
  listTransitionsAfter,
  type NamedCaller,
} from '@afterwatt/store';
import type { FastifyRequest } from 'fastify';
import { z } from 'zod';
import type { App, Deps } from './app.ts';
import { callerOf, EVERYONE } from './callers.ts';
import { incidentAnswerFor, isTransitionTold, readerOf, transitionAnswerFor } from './incident-answer.ts';
import type { IncidentBell } from './incident-bell.ts';
import { Problem } from './problem.ts';

/** Open streams of one process; each costs a socket and, when something happens, a query. */
const MOST_STREAMS = 2_000;
const BATCH = 200;
/** How long to wait for an older transaction that is still running. */
const INCOMPLETE_MS = 50;
/** What a browser waits before it connects again. */
const RETRY_MS = 2_000;

export function incidentStreamRoutes(app: App, deps: Deps, bell: IncidentBell): void {
  const streams = new Set<Stream>();
  app.addHook('preClose', async () => {
    for (const stream of [...streams]) stream.end();
  });

  app.route({
    method: 'GET',
    url: '/v1/incidents/stream',
    // A HEAD would wait for the end of a body that has none.
    exposeHeadRoute: false,
    config: { roles: EVERYONE },
    schema: {
      tags: ['incidents'],
      summary: 'Follow incidents as server-sent events',
      description:
        'One event a transition: `data` is the incident as it is now, with the `transition` that made the event; `id` resumes with Last-Event-ID. A comment line says that the stream is alive.',
      headers: z.object({
        'last-event-id': z
          .string()
          .regex(/^\d{1,16}-\d{1,16}$/, 'must be the id of an earlier event')
          .optional(),
      }),
      response: {
        200: {
          description: 'A stream that does not end by itself.',
          content: { 'text/event-stream': { schema: z.string() } },
        },
      },
    },
    async handler(request, reply) {
      if (streams.size >= MOST_STREAMS) {
        const detail = 'There are too many open streams. Try again later.';
        throw new Problem({ status: 503, code: 'too-many-streams', detail });
      }
      const place = await placeOf(request, deps);
      reply.hijack();
      const stream = openStream({ caller: callerOf(request), place, out: reply.raw, deps, bell });
      streams.add(stream);
      deps.metrics.streams.set(streams.size);
      reply.raw.once('close', () => {
        stream.end();
        streams.delete(stream);
        deps.metrics.streams.set(streams.size);
      });
    },
  });
}

interface Stream {
  end(): void;
}

interface StreamOptions {
  readonly caller: NamedCaller;
  readonly place: FeedPlace;
  readonly out: ServerResponse;
  readonly deps: Deps;
  readonly bell: IncidentBell;
}

function openStream({ caller, place, out, deps, bell }: StreamOptions): Stream {
  const { connection, config, log } = deps;
  let reached = place;
  let pulling = false;
  let rungAgain = false;
  let ended = false;

  out.writeHead(200, {
    'content-type': 'text/event-stream; charset=utf-8',
    'cache-control': 'no-store',
    'x-accel-buffering': 'no',
    'x-content-type-options': 'nosniff',
  });
  // An id without data raises no event, but is where a reader that saw none goes on.
  out.write(`retry: ${RETRY_MS}\nid: ${idOf(reached)}\n\n`);

  out.once('error', end);
  const unhear = bell.hear(() => void pull());
  const beat = setInterval(() => void checkAlive(), config.heartbeatMs);
  void pull();

  /** Writes what is new; rung while it does, it looks again. */
  async function pull(): Promise<void> {
    if (pulling) {
      rungAgain = true;
      return;
    }
    pulling = true;
    try {
      let more = true;
      while (more && !ended) {
        rungAgain = false;
        const batch = await readBatch(deps, caller, reached);
        for (const event of batch.events) await write(event);
        reached = batch.reached;
        if (batch.more && batch.events.length === 0)
          await new Promise((next) => setTimeout(next, INCOMPLETE_MS));
        more = batch.more || rungAgain;
      }
    } catch (error) {
      // The reader comes back with its last id and misses nothing.
      if (!isTransient(error)) log.error({ err: error }, 'a stream of incidents failed');
      end();
    } finally {
      pulling = false;
    }
  }

  async function checkAlive(): Promise<void> {
    try {
      const still = await findCallerAgain(connection.db, caller.id);
      const same = still !== undefined && still.sites.join() === caller.sites.join();
      if (!same) end();
      // The place moves on also over what this caller may not see, unless events are just being written.
      else await write(`: alive ${new Date().toISOString()}\n${pulling ? '' : `id: ${idOf(reached)}\n`}\n`);
    } catch (error) {
      if (!isTransient(error)) log.error({ err: error }, 'a stream of incidents failed');
      end();
    }
  }

  /** Waits for a reader that is slower than what is told. */
  async function write(text: string): Promise<void> {
    if (ended || out.write(text)) return;
    await new Promise<void>((resolve) => {
      out.once('drain', resolve);
      out.once('close', resolve);
    });
  }

  function end(): void {
    if (ended) return;
    ended = true;
    unhear();
    clearInterval(beat);
    out.end();
  }

  return { end };
}

interface Batch {
  readonly events: readonly string[];
  readonly reached: FeedPlace;
  readonly more: boolean;
}

async function readBatch({ connection }: Deps, caller: NamedCaller, from: FeedPlace): Promise<Batch> {
  return asCaller(connection.db, caller, async (tx) => {
    const { transitions, reached, more } = await listTransitionsAfter(tx, from, BATCH);
    const ids = [...new Set(transitions.map(({ incidentId }) => incidentId))];
    const incidents = await listIncidentsById(tx, ids, readerOf(caller.role));
    const answers = new Map(incidents.map((one) => [one.id, incidentAnswerFor(caller.role, one)]));
    const events = transitions
      .filter((transition) => isTransitionTold(caller.role, transition))
      .flatMap((transition) => {
        const incident = answers.get(transition.incidentId);
        return incident === undefined ? [] : [eventOf(caller, transition, incident)];
      });
    return { events, reached, more };
  });
}

function eventOf(caller: NamedCaller, transition: FedTransition, incident: object): string {
  const data = JSON.stringify({ ...incident, transition: transitionAnswerFor(caller.role, transition) });
  return `id: ${idOf(transition.place)}\ndata: ${data}\n\n`;
}

function idOf({ tx, id }: FeedPlace): string {
  return `${tx}-${id}`;
}

async function placeOf(request: FastifyRequest, { connection }: Deps): Promise<FeedPlace> {
  const [tx, id] = String(request.headers['last-event-id'] ?? '')
    .split('-')
    .map(Number);
  if (tx !== undefined && id !== undefined) return { tx, id };
  return asCaller(connection.db, callerOf(request), currentFeedPlace);
}
