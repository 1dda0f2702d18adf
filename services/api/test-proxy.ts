// A TCP connection to the database that a test can cut.

import { connect, createServer, type Socket } from 'node:net';

export interface CuttableProxy {
  /** The URL of the same server through the proxy. */
  readonly url: string;
  /** Breaks every connection and takes none until `mend`. */
  cut(): void;
  mend(): void;
  close(): void;
}

export async function startCuttableProxy(target: string): Promise<CuttableProxy> {
  const { hostname, port } = new URL(target);
  const sockets = new Set<Socket>();
  let isCut = false;
  const server = createServer((near) => {
    if (isCut) {
      near.destroy();
      return;
    }
    const far = connect({ host: hostname, port: Number(port) });
    for (const [one, other] of [
      [near, far],
      [far, near],
    ] as const) {
      sockets.add(one);
      one.pipe(other);
      one.on('error', () => {});
      one.on('close', () => {
        sockets.delete(one);
        other.destroy();
      });
    }
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const through = new URL(target);
  through.hostname = '127.0.0.1';
  const address = server.address();
  if (address === null || typeof address === 'string') throw new Error('the proxy has no port');
  through.port = String(address.port);
  const cut = () => {
    isCut = true;
    for (const socket of [...sockets]) socket.destroy();
  };
  return {
    url: through.href,
    cut,
    mend: () => {
      isCut = false;
    },
    close: () => {
      cut();
      server.close();
    },
  };
}
