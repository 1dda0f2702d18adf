// A Postgres container through testcontainers, where a Docker engine answers and has, or can pull, the image.

import { GenericContainer, getContainerRuntimeClient, Wait } from 'testcontainers';

/** Where no image can be pulled, one made from Debian's packages does (see DEVELOPERS.md). */
const IMAGE = process.env['AFTERWATT_TEST_POSTGRES_IMAGE'] ?? 'postgres:18';
const PORT = 5432;

export interface DockerPostgres {
  readonly url: string;
  stop(): Promise<void>;
}

/** @returns undefined where no Docker engine answers; an engine without the image is an error that says so */
export async function startDockerPostgres(): Promise<DockerPostgres | undefined> {
  try {
    await getContainerRuntimeClient();
  } catch {
    return undefined;
  }
  const container = await new GenericContainer(IMAGE)
    .withEnvironment({ POSTGRES_PASSWORD: 'test', POSTGRES_DB: 'postgres' })
    .withExposedPorts(PORT)
    .withWaitStrategy(Wait.forLogMessage(/ready to accept connections/, 2))
    .start();
  return {
    url: `postgres://postgres:test@${container.getHost()}:${container.getMappedPort(PORT)}/postgres`,
    stop: async () => {
      await container.stop();
    },
  };
}
