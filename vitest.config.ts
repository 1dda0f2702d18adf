import { defineConfig } from 'vitest/config';

export default defineConfig({
  test: {
    include: ['packages/**/*.test.ts', 'services/**/*.test.ts', 'test/**/*.test.ts'],
    globalSetup: ['test/support/database.setup.ts'],
    setupFiles: ['test/support/turn.setup.ts'],
    reporters: ['default', './test/support/closing-line.ts'],
    testTimeout: 60_000,
    hookTimeout: 120_000,
    maxWorkers: 2,
    minWorkers: 1,
  },
});
