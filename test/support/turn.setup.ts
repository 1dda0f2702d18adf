// After each test the event loop turns once: a file whose tests never wait for anything would keep its worker from
// answering, and vitest gives up on one that is not heard for a minute.

import { setImmediate as turn } from 'node:timers/promises';
import { afterEach } from 'vitest';

afterEach(() => turn());
