import { fileURLToPath } from 'node:url';
import fastifyStatic from '@fastify/static';
import type { App } from './app.ts';

const PAGES = fileURLToPath(new URL('../console/public', import.meta.url));

/** Everything comes from here and nothing runs inline, so a text that gets into a page stays a text. */
const CONTENT_SECURITY_POLICY = [
  "default-src 'none'",
  "script-src 'self'",
  "style-src 'self'",
  "img-src 'self'",
  "connect-src 'self'",
  "manifest-src 'self'",
  "form-action 'self'",
  "base-uri 'none'",
  "frame-ancestors 'none'",
].join('; ');

/** Serves the console, one route a file, so that an unknown path stays a problem and not a page. */
export async function consolePages(app: App): Promise<void> {
  await app.register(fastifyStatic, {
    root: PAGES,
    wildcard: false,
    cacheControl: false,
    setHeaders(response) {
      response.setHeader('cache-control', 'no-cache');
      response.setHeader('content-security-policy', CONTENT_SECURITY_POLICY);
    },
  });
}
