import { z } from 'zod';

/** An instant in an answer: RFC 3339, UTC. */
export const time = z.string().meta({ format: 'date-time' });
