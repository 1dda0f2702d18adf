// What counts as right, missed, fair and wrong.

import { describe, expect, it } from 'vitest';
import { aSite } from '../a-site.fixture.ts';
import type { Truth } from '../scenario.ts';
import { judge, type RaisedIncident, type ToJudge } from './judge.ts';

const MINUTE_MS = 60_000;
const HOUR_MS = 60 * MINUTE_MS;
const ONSET_MS = Date.parse('2026-03-02T19:00:00Z');
const after = (minutes: number): number => ONSET_MS + minutes * MINUTE_MS;

function aTruth(more: Partial<Truth> = {}): Truth {
  return {
    kind: 'inlet-over-cap',
    subject: 'inlet 1',
    fault: 'inlet-over-cap',
    onsetMs: ONSET_MS,
    endMs: null,
    shownMs: after(10),
    fair: [{ kind: 'inlet-continuous-load', subject: 'inlet 1' }],
    ...more,
  };
}

function raised(kind: Truth['kind'], subject: string, minutes: number): RaisedIncident {
  return { kind, subject, detectedMs: after(minutes), heardMs: after(minutes) + 900 };
}

function aRun(more: Partial<ToJudge<RaisedIncident>> = {}): ToJudge<RaisedIncident> {
  return {
    site: aSite(),
    truths: [aTruth()],
    raised: [],
    outages: [],
    firstStepMs: null,
    toMs: ONSET_MS + 100 * HOUR_MS,
    ...more,
  };
}

describe('a fault', () => {
  it('is told by the first incident of its kind and subject, timed from when it showed', () => {
    const incidents = [raised('inlet-over-cap', 'inlet 1', 10.2), raised('inlet-over-cap', 'inlet 1', 50)];
    const { truths, wrong } = judge(aRun({ raised: incidents }));
    expect(truths[0]).toMatchObject({ is: 'told', delayMs: 12_000 });
    expect(wrong).toEqual([]);
  });

  it('told before it shows by our own measure counts as told at once', () => {
    const { truths } = judge(aRun({ raised: [raised('inlet-over-cap', 'inlet 1', 9.9)] }));
    expect(truths[0]).toMatchObject({ is: 'told', delayMs: 0 });
  });

  it.each([
    { minutes: 10 + 59, is: 'told', why: 'within its time' },
    { minutes: 10 + 61, is: 'missed', why: 'later than that' },
  ])('is $is when told $why', ({ minutes, is }) => {
    const { truths } = judge(aRun({ raised: [raised('inlet-over-cap', 'inlet 1', minutes)] }));
    expect(truths[0]?.is).toBe(is);
  });

  it('that never showed, or too late in the run, is not counted', () => {
    const never = judge(aRun({ truths: [aTruth({ shownMs: null })] }));
    const late = judge(aRun({ toMs: after(10) + 59 * MINUTE_MS }));
    expect([never.truths[0]?.is, late.truths[0]?.is]).toEqual(['not shown', 'not shown']);
  });

  it('of a service clamp is timed from the first step of a battery', () => {
    const truth = aTruth({ kind: 'service-ct-reversed', subject: 'L2', fault: 'service-ct-reversed' });
    const incidents = [raised('service-ct-reversed', 'L2', 200)];
    const told = judge(aRun({ truths: [truth], raised: incidents, firstStepMs: after(120) }));
    expect(told.truths[0]).toMatchObject({ is: 'told', delayMs: 80 * MINUTE_MS });
    const unseen = judge(aRun({ truths: [truth] }));
    expect(unseen.truths[0]?.is).toBe('not shown');
  });
});

describe('an incident is wrong', () => {
  it.each([
    { incident: raised('inlet-over-cap', 'inlet 2', 12), wrong: true, why: 'on another subject' },
    { incident: raised('battery-hot', 'inlet 1', 12), wrong: true, why: 'of another kind' },
    { incident: raised('inlet-over-cap', 'inlet 1', -1), wrong: true, why: 'before the fault was made' },
    { incident: raised('inlet-continuous-load', 'inlet 1', 200), wrong: false, why: 'brought about by it' },
    { incident: raised('inlet-continuous-load', 'inlet 1', -1), wrong: true, why: 'brought about before it' },
  ])('$why: $wrong', ({ incident, wrong }) => {
    expect(judge(aRun({ raised: [incident] })).wrong).toEqual(wrong ? [incident] : []);
  });

  it('at a home without a fault, but for a reserve that runs down in an outage', () => {
    const outages = [{ fromMs: ONSET_MS, toMs: after(120) }];
    const fair = raised('reserve-low', 'battery-1', 100);
    const late = raised('reserve-low', 'battery-1', 240);
    const other = raised('ct-no-signal', 'inlet 1', 100);
    const { wrong } = judge(aRun({ truths: [], raised: [fair, late, other], outages }));
    expect(wrong).toEqual([late, other]);
  });
});

describe('of two faults at once', () => {
  const reversed = aTruth({
    kind: 'service-ct-reversed',
    subject: 'L1',
    fault: 'service-ct-reversed',
    fair: [],
  });
  const hot = aTruth({ kind: 'battery-hot', subject: 'battery-1', fault: 'battery-hot', fair: [] });
  const silent = (subject: string) =>
    aTruth({ kind: 'device-silent', subject, fault: 'device-silent', fair: [] });

  it('both must be told', () => {
    const told = [raised('battery-hot', 'battery-1', 20)];
    const { truths } = judge(aRun({ truths: [reversed, hot], raised: told, firstStepMs: after(0) }));
    expect(truths.map(({ is }) => is)).toEqual(['missed', 'told']);
  });

  it('only the cause must be told of what a silent meter hides, and telling both is not wrong', () => {
    const told = [raised('device-silent', 'meter-1', 15), raised('service-ct-reversed', 'L1', 12)];
    const { truths, wrong } = judge(aRun({ truths: [reversed, silent('meter-1')], raised: told }));
    expect(truths.map(({ is }) => is)).toEqual(['explained', 'told']);
    expect(wrong).toEqual([]);
  });

  it('a silent meter does not explain a hot battery, but a silent battery does', () => {
    const outcome = (subject: string) => judge(aRun({ truths: [hot, silent(subject)] })).truths[0]?.is;
    expect([outcome('meter-1'), outcome('battery-1')]).toEqual(['missed', 'explained']);
  });
});
