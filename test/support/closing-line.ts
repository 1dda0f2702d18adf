import type { Reporter, TestModule } from 'vitest/node';

/** Ends a run with one plain line that a CI system can read: how many passed, failed and were skipped. */
export default class ClosingLine implements Reporter {
  onTestRunEnd(modules: ReadonlyArray<TestModule>): void {
    const count = { passed: 0, failed: 0, skipped: 0, pending: 0 };
    for (const module of modules) {
      for (const test of module.children.allTests()) count[test.result().state]++;
      if (module.state() === 'failed' && count.failed === 0 && module.errors().length > 0) count.failed++;
    }
    console.log(`${count.passed} passed, ${count.failed} failed, ${count.skipped} skipped`);
  }
}
