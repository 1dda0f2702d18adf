// The running window, against the plain definition of median and median absolute deviation.
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { median, medianAbsoluteDeviation } from './quantile.ts';
import { advanceRunningMedian, createRunningMedian, runningMad, runningMedian } from './running-median.ts';

it('after every value is the median and deviation of the last ones', () => {
  const value = fc.oneof(fc.double({ noNaN: true, min: -1000, max: 1000 }), fc.integer({ min: -3, max: 3 }));
  fc.assert(
    fc.property(fc.integer({ min: 1, max: 12 }), fc.array(value, { maxLength: 60 }), (windowSize, values) => {
      const state = createRunningMedian(windowSize);
      values.forEach((each, index) => {
        advanceRunningMedian(state, each);
        const last = values.slice(Math.max(0, index + 1 - windowSize), index + 1);
        expect(runningMedian(state)).toBeCloseTo(median(last), 9);
        expect(runningMad(state)).toBeCloseTo(medianAbsoluteDeviation(last), 9);
        expect(state.sorted.length).toBeLessThanOrEqual(windowSize);
      });
    }),
  );
});

it('is plain data: a copy through JSON goes on the same', () => {
  const state = createRunningMedian(5);
  for (const volts of [120.1, 119.8, 120.4, 121, 119.9, 120.2]) advanceRunningMedian(state, volts);
  const copy: typeof state = JSON.parse(JSON.stringify(state));
  advanceRunningMedian(state, 118);
  advanceRunningMedian(copy, 118);
  expect(copy).toEqual(state);
});

it('knows nothing of an empty window', () => {
  expect(runningMedian(createRunningMedian(3))).toBeUndefined();
  expect(runningMad(createRunningMedian(3))).toBeUndefined();
});
