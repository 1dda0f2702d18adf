// A TCP proxy between two processes of a test, which can cut what goes through it, hold it up, or slow it down.

import { connect, createServer, type Socket } from 'node:net';

export interface TcpProxy {
  readonly port: number;
  /** Ends every connection at once; new ones are refused until `mend`. */
  cut(): void;
  /** Passes nothing on until `mend`, and tells neither side: a network that swallows everything. */
  stall(): void;
  /** Passes each chunk on only after so many milliseconds; 0 = at once. */
  slow(delayMs: number): void;
  mend(): void;
  /** Ends every connection; new ones go to another port. */
  redirect(toPort: number): void;
  close(): Promise<void>;
}

export async function startTcpProxy(firstPort: number): Promise<TcpProxy> {
  let toPort = firstPort;
  const sockets = new Set<Socket>();
  let isCut = false;
  let isStalled = false;
  const stalled: (() => void)[] = [];
  let delayMs = 0;

  function pass(from: Socket, to: Socket): void {
    sockets.add(from);
    from.setNoDelay(true);
    from.on('error', () => {});
    from.once('close', () => {
      sockets.delete(from);
      to.destroy();
    });
    from.on('data', (chunk) => {
      if (isStalled) {
        from.pause();
        stalled.push(() => {
          if (!to.destroyed) to.write(chunk);
          from.resume();
        });
        return;
      }
      if (delayMs === 0) {
        if (!to.write(chunk)) {
          from.pause();
          to.once('drain', () => from.resume());
        }
        return;
      }
      from.pause();
      setTimeout(() => {
        to.write(chunk);
        from.resume();
      }, delayMs);
    });
  }

  const server = createServer((client) => {
    if (isCut) {
      client.destroy();
      return;
    }
    const upstream = connect(toPort, '127.0.0.1');
    pass(client, upstream);
    pass(upstream, client);
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const address = server.address();
  return {
    port: address !== null && typeof address === 'object' ? address.port : 0,
    cut() {
      isCut = true;
      for (const socket of sockets) socket.destroy();
    },
    stall() {
      isStalled = true;
    },
    slow(ms) {
      delayMs = ms;
    },
    mend() {
      isCut = false;
      isStalled = false;
      delayMs = 0;
      for (const goOn of stalled.splice(0)) goOn();
    },
    redirect(port) {
      toPort = port;
      for (const socket of sockets) socket.destroy();
    },
    async close() {
      for (const socket of sockets) socket.destroy();
      await new Promise((resolve) => server.close(resolve));
    },
  };
}
