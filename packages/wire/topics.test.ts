// Topics carry site and device, and nothing that is no id gets through them.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { ID_PATTERN } from './id.ts';
import { parseTopic, topicFilter, topicOf } from './topics.ts';

const id = fc.stringMatching(new RegExp(ID_PATTERN.source));

describe('topics', () => {
  it('are built and parsed alike', () => {
    fc.assert(
      fc.property(id, id, fc.constantFrom('readings', 'state'), (site, device, kind) => {
        const topic = { site, device, kind } as const;
        expect(parseTopic(topicOf(topic))).toEqual(topic);
      }),
    );
  });

  it('look as published', () => {
    expect(topicOf({ site: 'cedar-lane-4', device: 'meter-1', kind: 'readings' })).toBe(
      'afterwatt/v1/cedar-lane-4/meter-1/readings',
    );
    expect(topicFilter('readings')).toBe('afterwatt/v1/+/+/readings');
    expect(topicFilter('state', 'cedar-lane-4')).toBe('afterwatt/v1/cedar-lane-4/+/state');
  });

  it.each([
    'afterwatt/v1/cedar-lane-4/meter-1',
    'afterwatt/v1/cedar-lane-4/meter-1/readings/',
    'afterwatt/v1/cedar-lane-4/meter-1/readings\n',
    'afterwatt/v2/cedar-lane-4/meter-1/readings',
    'afterwatt/v1/Cedar/meter-1/readings',
    'afterwatt/v1/-cedar/meter-1/readings',
    'afterwatt/v1//meter-1/readings',
    'afterwatt/v1/+/meter-1/readings',
    `afterwatt/v1/${'a'.repeat(64)}/meter-1/readings`,
    '$SYS/broker/uptime',
    '',
  ])('does not take %j', (topic) => {
    expect(parseTopic(topic)).toBeUndefined();
  });

  it('is not built for what is no id', () => {
    expect(() => topicOf({ site: 'cedar lane', device: 'meter-1', kind: 'state' })).toThrow(RangeError);
    expect(() => topicOf({ site: 'cedar-lane-4', device: '#', kind: 'state' })).toThrow(RangeError);
  });
});
