// Sites are patched as RFC 7396 says, and the patched site is checked as a new one is.
import { describe, expect, it } from 'vitest';
import { siteSchema } from './site.ts';
import { mergePatch, patchSite, sitePatchSchema } from './site-patch.ts';

describe('the test cases of RFC 7396 appendix A', () => {
  const cases: [original: string, patch: string, result: string][] = [
    ['{"a":"b"}', '{"a":"c"}', '{"a":"c"}'],
    ['{"a":"b"}', '{"b":"c"}', '{"a":"b","b":"c"}'],
    ['{"a":"b"}', '{"a":null}', '{}'],
    ['{"a":"b","b":"c"}', '{"a":null}', '{"b":"c"}'],
    ['{"a":["b"]}', '{"a":"c"}', '{"a":"c"}'],
    ['{"a":"c"}', '{"a":["b"]}', '{"a":["b"]}'],
    ['{"a":{"b":"c"}}', '{"a":{"b":"d","c":null}}', '{"a":{"b":"d"}}'],
    ['{"a":[{"b":"c"}]}', '{"a":[1]}', '{"a":[1]}'],
    ['["a","b"]', '["c","d"]', '["c","d"]'],
    ['{"a":"b"}', '["c"]', '["c"]'],
    ['{"a":"foo"}', 'null', 'null'],
    ['{"a":"foo"}', '"bar"', '"bar"'],
    ['{"e":null}', '{"a":1}', '{"e":null,"a":1}'],
    ['[1,2]', '{"a":"b","c":null}', '{"a":"b"}'],
    ['{}', '{"a":{"bb":{"ccc":null}}}', '{"a":{"bb":{}}}'],
  ];
  it.each(cases)('%s patched with %s is %s', (original, patch, result) => {
    expect(mergePatch(JSON.parse(original), JSON.parse(patch))).toEqual(JSON.parse(result));
  });
});

describe('a patched site', () => {
  const site = siteSchema.parse({
    id: 'cedar-lane-4',
    name: 'Cedar Lane 4',
    timeZone: 'America/Denver',
    service: { mainAmps: 150, otherGeneration: true },
    batteries: [{ device: 'battery-1' }],
  });
  const patched = (patch: unknown) => patchSite(site, sitePatchSchema.parse(patch));

  it('keeps what the patch does not name', () => {
    expect(patched({ service: { mainAmps: 200 } }).data).toEqual({
      ...site,
      service: { ...site.service, mainAmps: 200 },
    });
    expect(patched({}).data).toEqual(site);
  });

  it('goes back to the default where the patch says null', () => {
    expect(patched({ service: { mainAmps: null }, batteries: null }).data).toEqual({
      ...site,
      service: { ...site.service, mainAmps: 200 },
      batteries: [],
    });
  });

  it('must hold together as a whole', () => {
    const { error } = patched({ batteries: [{ device: 'battery-1', inlet: 2 }], timeZone: null });
    expect(error?.issues.map(({ path }) => path.join('.'))).toContain('timeZone');
    expect(patched({ inlets: [{ number: 2 }] }).error?.issues[0]?.message).toMatch(/there is no inlet 1/);
  });

  it('keeps its id', () => {
    expect(sitePatchSchema.safeParse({ id: 'other' }).success).toBe(false);
  });
});
