// The console's first page in a real browser: by keyboard, live, legible, and honest about its own state.

import { existsSync } from 'node:fs';
import { readFile } from 'node:fs/promises';
import { sql } from 'kysely';
import { type Browser, chromium, type Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, it } from 'vitest';
import { z } from 'zod';
import { aSite, insertIncidentRow, OPERATOR_TOKEN, operatorOf, startTestApi } from './test-support.ts';

const legibility = await readFile(new URL('test-legibility.js', import.meta.url), 'utf8');
const measured = z.object({
  tooWide: z.number(),
  contrasts: z.array(z.object({ words: z.string(), ratio: z.number() })),
});
const CHROMIUM = ['/usr/bin/chromium', '/usr/bin/chromium-browser', '/usr/bin/google-chrome'].find(
  existsSync,
);

/** Another test's long transaction in the same cluster holds up what must come in the order of commit. */
const eventually = <T>(read: () => T) => expect.poll(read, { timeout: 20_000 });

const api = await startTestApi();
const operator = operatorOf(api);
beforeEach(() => api.database.keepOnFailure());
await operator.post('/v1/sites', aSite({ id: 'cedar-lane-4', name: 'Cedar Lane 4' }));
await operator.post('/v1/sites', aSite({ id: 'birch-12', name: 'Birch Street 12' }));
await operator.post('/v1/sites', aSite({ id: 'elm-7', name: 'Elm Road 7' }));
const low = { kind: 'reserve-low', subject: 'battery-1', priority: 'high' };
await insertIncidentRow(api.owner, { site: 'cedar-lane-4', subject: 'L2' });
await insertIncidentRow(api.owner, {
  ...{ site: 'birch-12', ...low, headline: 'battery-1 holds 12 %, below the reserve of 20 %.' },
  homeowner: 'Your battery is below the reserve you asked for.',
});

describe.skipIf(CHROMIUM === undefined)('the first page', () => {
  let browser: Browser;
  let page: Page;
  beforeAll(async () => {
    browser = await chromium.launch({
      ...(CHROMIUM === undefined ? {} : { executablePath: CHROMIUM }),
      args: ['--no-sandbox', '--disable-quic', '--disable-background-networking'],
    });
  });
  afterAll(() => browser.close());
  afterEach(() => page.close());

  async function signIn(
    options: Parameters<Browser['newPage']>[0] = {},
    token = OPERATOR_TOKEN,
  ): Promise<void> {
    page = await browser.newPage(options);
    await page.goto(api.url);
    await page.locator('#token:focus').waitFor();
    await page.keyboard.type(token);
    await page.keyboard.press('Enter');
    await page.locator('#list[aria-busy=false]').waitFor();
  }

  const sites = () => page.locator('.site h2').allTextContents();
  const text = (selector: string) => page.locator(selector).textContent();

  it('signs in by keyboard, says what is wrong with a token, and stays signed in until signing out', async () => {
    page = await browser.newPage();
    await page.goto(api.url);
    await page.locator('#token:focus').waitFor();
    await page.keyboard.type('not-a-token');
    await page.keyboard.press('Enter');
    await eventually(() => text('#sign-in-error')).toBe(
      'This token is not known. Check that it is complete.',
    );
    await page.locator('#token').fill(` ${OPERATOR_TOKEN} `);
    await page.keyboard.press('Enter');
    await page.locator('.entry').first().waitFor();
    await page.reload();
    await page.locator('.entry').first().waitFor();
    await page.getByRole('button', { name: 'Sign out' }).click();
    await page.locator('#token').waitFor();
    await page.reload();
    await page.locator('#token').waitFor();
  });

  it('tells the incidents as sentences, by site, the newest first', async () => {
    await signIn();
    expect(await sites()).toEqual(['Birch Street 12 birch-12', 'Cedar Lane 4 cedar-lane-4']);
    expect(await text('#count')).toBe('2 stand at 2 sites.');
    expect(await page.locator('.headline').allTextContents()).toEqual([
      'battery-1 holds 12 %, below the reserve of 20 %.',
      'The service CT on L2 is clipped on backwards.',
    ]);
  });

  it('opens by keyboard: why, what to do, the caution, the figures with their units', async () => {
    await signIn();
    const entry = page.locator('.entry').nth(1);
    await entry.locator('summary').focus();
    await page.keyboard.press('Enter');
    const detail = await entry.locator('.detail').textContent();
    for (const part of [
      'Power on L2 flows out of the house while the battery charges. 99 % sure.',
      'Turn the clamp on L2 round.',
      'Caution. Work inside a panel is for a licensed electrician under the local code.',
      '\u2212840 W',
      'meter-1 l2.p',
      'Raised by detection',
    ]) {
      expect(detail).toContain(part);
    }
    await page.keyboard.press('Tab');
    await page.keyboard.press('Enter');
    await eventually(() => entry.locator('.since').textContent()).toContain('acknowledged');
    // Still open, and the keyboard still there.
    expect(await entry.locator('details').getAttribute('open')).toBe('');
    expect(await entry.locator('summary:focus').count()).toBe(1);
  });

  it('follows what happens, says it to a screen reader, and takes texts for texts', async () => {
    await signIn();
    await eventually(() => text('#connection')).not.toBe('Connecting …');
    const headline = '<img src=x onerror=alert(1)> is hot: 63 °C.';
    const id = await insertIncidentRow(api.owner, {
      site: 'elm-7',
      kind: 'battery-hot',
      priority: 'critical',
      headline,
    });
    await eventually(sites).toEqual([
      'Elm Road 7 elm-7',
      'Birch Street 12 birch-12',
      'Cedar Lane 4 cedar-lane-4',
    ]);
    expect(await page.locator('#news').textContent()).toBe(`New at Elm Road 7: ${headline}`);
    expect(await page.locator('[aria-live=polite]').count()).toBe(1);
    expect(await page.locator('img').count()).toBe(0);
    await sql`with cleared as (update incident set state = 'cleared', cleared_at = now() where id = ${id} returning id)
      insert into incident_transition (incident_id, type, event_at, by) select id, 'cleared', now(), 'detection' from cleared`.execute(
      api.owner,
    );
    await sql`select pg_notify('incident', '')`.execute(api.owner);
    await eventually(() => page.locator(`#incident-${id} .priority`).textContent()).toBe('cleared');
    await eventually(() => text('#count')).toBe('2 stand at 2 sites.');
    await page.reload();
    await eventually(sites).toHaveLength(2);
    await page.locator('#with-cleared').check();
    await eventually(sites).toHaveLength(3);
  });

  it('tells a homeowner one sentence, and when there is nothing to tell', async () => {
    const token = async (site: string) =>
      (await operator.post('/v1/tokens', { name: 'Casey', role: 'homeowner', sites: [site] })).body.token;
    await signIn({}, await token('birch-12'));
    expect(await text('h1:visible')).toBe('Your backup');
    expect(await page.locator('.headline').allTextContents()).toEqual([
      'Your battery is below the reserve you asked for.',
    ]);
    expect(await page.locator('summary, .priority, .caution').count()).toBe(0);
    await page.close();
    await signIn({}, await token('cedar-lane-4'));
    await eventually(() => text('#list')).toBe('There is nothing to tell: no fault of your backup is known.');
  });

  it.each([
    { width: 390, colorScheme: 'light', textSize: 1 },
    { width: 390, colorScheme: 'dark', textSize: 2 },
    { width: 1440, colorScheme: 'light', textSize: 1 },
    { width: 1440, colorScheme: 'dark', textSize: 2 },
  ] as const)(
    'is legible at $width px, $colorScheme, text times $textSize',
    async ({ width, colorScheme, textSize }) => {
      await signIn({ viewport: { width, height: 900 }, colorScheme });
      await page.evaluate(`document.documentElement.style.fontSize = '${textSize * 100}%'`);
      await page.locator('summary').first().click();
      const { tooWide, contrasts } = measured.parse(await page.evaluate(legibility));
      expect(tooWide).toBeLessThanOrEqual(0);
      expect(contrasts.length).toBeGreaterThan(10);
      for (const { words, ratio } of contrasts) expect(ratio, words).toBeGreaterThanOrEqual(7);
    },
  );

  it('says when what it shows is no longer of today, and when it cannot be read at all', async () => {
    await signIn();
    // No ingest and no rules run behind this API.
    await eventually(() => text('#connection')).toBe(
      'New readings are not being judged at the moment (ingest: it has never said that it takes readings; rules: 64 of 64 shards are watched by nobody).',
    );
    await eventually(() => text('#heard')).toMatch(/^Last heard \d+ s ago\.$/);
    await page.route('**/v1/incidents?*', (route) =>
      route.fulfill({
        status: 503,
        contentType: 'application/problem+json',
        body: '{"detail": "Try again."}',
      }),
    );
    await page.locator('#with-cleared').check();
    await eventually(() => text('#list')).toContain('The incidents could not be read: Try again.');
    await page.unroute('**/v1/incidents?*');
    await page.getByRole('button', { name: 'Try again' }).click();
    await eventually(sites).not.toHaveLength(0);
    await api.stop();
    await eventually(() => text('#connection')).toMatch(/^No connection since .+\. Trying again\.$/);
  });
});
