// A device has not passed a self-test since it was fitted, or since its firmware was changed: nobody knows that
// it still does what it should when it is needed.
// Easily confused with: the first day (a test may be made until then), and a test that was made before the change
// and is reported again after it. A device that never speaks of a test has passed none that anybody knows of.

import { z } from 'zod';
import { ABSENT, defineDetector, type Verdict } from '../detector.ts';
import { clockText, spanText } from '../wording.ts';

const HOUR_MS = 3_600_000;

const schema = z.object({
  /** Since when a test is owed: the first reading, or the change of firmware; null before either. */
  owedSinceMs: z.number().nullable(),
  firmware: z.string().nullable(),
  /** The newest test told of, passed or not. */
  testMs: z.number().nullable(),
  /** A test counts when it is newer than this. */
  newerThanMs: z.number(),
  passed: z.boolean(),
  failedMs: z.number().nullable(),
});

type State = z.infer<typeof schema>;

export const selfTestMissing = defineDetector({
  kind: 'self-test-missing',
  thresholds: {
    withinH: {
      default: 24,
      unit: 'h',
      min: 1,
      max: 720,
      source: 'common practice: a day to finish commissioning',
    },
  },
  wants: ['meter', 'battery', 'state', 'tick'],
  readingsOf: (device) => [device],
  delays: () => ({ onDelayMs: 0, offDelayMs: 0 }),
  subjects: (site) => [site.meter.device, ...site.batteries.map((battery) => battery.device)],
  state: schema,
  start: () => ({
    owedSinceMs: null,
    firmware: null,
    testMs: null,
    newerThanMs: 0,
    passed: false,
    failedMs: null,
  }),
  observe(event, { subject, state, view, values }): Verdict | undefined {
    switch (event.kind) {
      case 'meter':
      case 'battery':
        if (event.device === subject && state.owedSinceMs === null) state.owedSinceMs = event.at;
        return undefined;
      case 'state':
        if (event.device !== subject) return undefined;
        hearState(state, event, view.nowMs);
        return state.passed ? ABSENT : undefined;
      case 'tick':
        break;
      case 'lags':
      case 'storm':
      case 'mended':
        return undefined;
    }
    const { owedSinceMs, passed } = state;
    if (passed || owedSinceMs === null) return undefined;
    const owedMs = event.at - owedSinceMs;
    if (owedMs <= values.withinH * HOUR_MS) return undefined;
    const { firmware, failedMs } = state;
    const { timeZone } = view.site;
    return {
      is: 'present',
      sinceMs: owedSinceMs,
      confidence: 1,
      facts: { owedMs, failed: failedMs !== null, firmware: firmware ?? '', withinH: values.withinH },
      evidence: () => ({
        fromMs: owedSinceMs,
        toMs: event.at,
        series: [],
        figures: [
          {
            label: 'Owed since',
            value: clockText(owedSinceMs, timeZone),
            unit: '',
            source: 'first reading or change of firmware',
          },
          {
            label: 'Last self-test',
            value: failedMs === null ? 'none' : `failed, ${clockText(failedMs, timeZone)}`,
            unit: '',
            source: `${subject} state: selfTest`,
          },
          {
            label: 'Firmware',
            value: firmware ?? 'not known',
            unit: '',
            source: `${subject} state: firmware`,
          },
        ],
      }),
    };
  },
  words: ({ subject, facts }) => ({
    headline:
      facts['failed'] === true
        ? `${subject} failed its self-test and has passed none since.`
        : `${subject} has passed no self-test for ${spanText(Number(facts['owedMs']))}${facts['firmware'] === '' ? '' : `, with firmware ${facts['firmware']}`}.`,
    explanation: `A self-test is due within ${facts['withinH']} h of the first reading and of every change of firmware.`,
    steps: [
      'Start the self-test from the unit or its remote control.',
      'If it fails, note what it says and ask the maker; if it cannot be started, see whether the unit is busy or in an outage.',
      'If it was made, see whether the device publishes its state.',
    ],
    caution: null,
    homeowner: null,
  }),
});

/** @param nowMs device time reached; arrival may be far ahead of it in a backlog */
function hearState(
  state: State,
  event: { firmware: string | null; selfTestAt: number | null; selfTestPassed: boolean | null; at: number },
  nowMs: number,
): void {
  const { firmware, selfTestAt, selfTestPassed } = event;
  if (firmware !== null && state.firmware !== null && firmware !== state.firmware) {
    // One that is owed already is owed since then.
    if (state.passed || state.owedSinceMs === null) state.owedSinceMs = nowMs === 0 ? event.at : nowMs;
    // The test that was known before was made with the firmware before.
    state.newerThanMs = state.testMs ?? 0;
    state.passed = false;
    state.failedMs = null;
  }
  state.firmware = firmware ?? state.firmware;
  if (selfTestAt === null || selfTestAt <= state.newerThanMs) return;
  state.testMs = Math.max(selfTestAt, state.testMs ?? 0);
  if (selfTestPassed === true) state.passed = true;
  state.failedMs = selfTestPassed === false ? selfTestAt : null;
}
