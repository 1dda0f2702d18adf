// A Postgres container through testcontainers, where a Docker engine answers and has, or can pull, the image.

import { GenericContainer, getContainerRuntimeClient, type StartedTestContainer, Wait } from 'testcontainers';

/** Where no image can be pulled, one made from Debian's packages does (see DEVELOPERS.md). */
const WANTED_IMAGE = process.env['AFTERWATT_TEST_POSTGRES_IMAGE'];
const IMAGE = WANTED_IMAGE ?? 'postgres:18';
const PORT = 5432;

export interface DockerPostgres {
  readonly url: string;
  stop(): Promise<void>;
}

/**
 * @returns undefined where no Docker engine answers, or one that has no image and can pull none, which it says
 * @throws what the engine says, if AFTERWATT_TEST_POSTGRES_IMAGE asks for an image that it can't start
 */
export async function startDockerPostgres(): Promise<DockerPostgres | undefined> {
  try {
    await getContainerRuntimeClient();
  } catch {
    return undefined;
  }
  let container: StartedTestContainer;
  try {
    container = await new GenericContainer(IMAGE)
      .withEnvironment({ POSTGRES_PASSWORD: 'test', POSTGRES_DB: 'postgres' })
      .withExposedPorts(PORT)
      .withWaitStrategy(Wait.forLogMessage(/ready to accept connections/, 2))
      .start();
  } catch (error) {
    if (WANTED_IMAGE !== undefined) throw error;
    const reason = error instanceof Error ? error.message.trim() : String(error);
    console.warn(`The Docker engine can't start ${IMAGE}, so the tests use the embedded Postgres: ${reason}`);
    return undefined;
  }
  return {
    url: `postgres://postgres:test@${container.getHost()}:${container.getMappedPort(PORT)}/postgres`,
    stop: async () => {
      await container.stop();
    },
  };
}
