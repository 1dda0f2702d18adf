// Who may import whom. Packages import downwards only, pure ones no Node module, services never each other.

import { readdirSync, readFileSync } from 'node:fs';
import { builtinModules } from 'node:module';
import { dirname, join, relative } from 'node:path';
import { describe, expect, it } from 'vitest';

const ROOT = join(dirname(import.meta.filename), '..');

/** What each part may import of our own packages; a part that is not listed may not exist. */
const MAY_IMPORT: Readonly<Record<string, readonly string[]>> = {
  'packages/electrical': [],
  'packages/wire': [],
  'packages/tariff': ['electrical', 'wire'],
  'packages/storm': ['electrical', 'wire'],
  'packages/detect': ['electrical', 'wire', 'tariff', 'storm'],
  'packages/simulate': ['electrical', 'wire', 'tariff', 'storm', 'detect'],
  'packages/store': ['wire', 'runtime'],
  'packages/runtime': [],
  'services/ingest': ['wire', 'store', 'runtime'],
  'services/rules': ['wire', 'store', 'runtime', 'detect', 'storm', 'tariff', 'electrical'],
  'services/api': ['wire', 'store', 'runtime', 'detect', 'storm', 'tariff', 'electrical'],
  'services/console': [],
  'services/station': ['wire', 'store', 'runtime', 'simulate', 'ingest', 'rules', 'api'],
};
const PURE = ['packages/electrical', 'packages/wire', 'packages/tariff', 'packages/storm', 'packages/detect'];

interface Import {
  readonly file: string;
  readonly part: string;
  readonly specifier: string;
}

const files = ['packages', 'services']
  .flatMap(sources)
  .filter(
    (file) => !file.includes('node_modules') && !file.endsWith('.test.ts') && !file.includes('test-support'),
  );
const imports: Import[] = files.flatMap((file) => {
  const part = file.split('/').slice(0, 2).join('/');
  const text = readFileSync(join(ROOT, file), 'utf8');
  const found = text.matchAll(
    /^\s*(?:import|export)\b[^'"]*?\bfrom\s*['"]([^'"]+)['"]|import\(\s*['"]([^'"]+)['"]/gm,
  );
  return [...found].map((match) => ({ file, part, specifier: match[1] ?? match[2] ?? '' }));
});

describe('the house', () => {
  it('has only rooms that are known', () => {
    const parts = new Set(files.map((file) => file.split('/').slice(0, 2).join('/')));
    expect([...parts].filter((part) => MAY_IMPORT[part] === undefined)).toEqual([]);
    expect(imports.length).toBeGreaterThan(100);
  });

  it('imports downwards only', () => {
    const wrong = imports.filter(({ part, specifier }) => {
      const own = /^@afterwatt\/([a-z]+)/.exec(specifier)?.[1];
      return own !== undefined && !MAY_IMPORT[part]?.includes(own);
    });
    expect(wrong).toEqual([]);
  });

  it('enters another part only through its name, never by a path into it', () => {
    const wrong = imports.filter(({ file, part, specifier }) => {
      if (!specifier.startsWith('.')) return /^@afterwatt\/[a-z]+\//.test(specifier);
      const target = relative(ROOT, join(ROOT, dirname(file), specifier));
      return !target.startsWith(`${part}/`);
    });
    expect(wrong).toEqual([]);
  });

  it('keeps Node out of its pure parts', () => {
    const isNode = (specifier: string) =>
      specifier.startsWith('node:') || builtinModules.includes(specifier.split('/')[0] ?? '');
    const wrong = imports.filter(({ part, specifier }) => PURE.includes(part) && isNode(specifier));
    expect(wrong).toEqual([]);
  });

  it('lets only main files touch the process', () => {
    const wrong = files
      .filter((file) => file.startsWith('services/') && !/main\.ts$/.test(file))
      .filter((file) =>
        /\bprocess\.(env|argv|exit|on|stdout|stderr)\b/.test(readFileSync(join(ROOT, file), 'utf8')),
      );
    expect(wrong).toEqual([]);
  });
});

function sources(directory: string): string[] {
  return readdirSync(join(ROOT, directory), { recursive: true, encoding: 'utf8' })
    .filter((file) => file.endsWith('.ts'))
    .map((file) => join(directory, file));
}
