// The few calls that the station makes to its own API, as any operator would.

import type { SiteInput } from '@afterwatt/wire';
import { z } from 'zod';

export interface TokenRequest {
  readonly name: string;
  readonly role: 'installer' | 'homeowner' | 'support';
  readonly company?: string;
  readonly sites?: readonly string[];
}

export interface Credentials {
  readonly username: string;
  readonly secret: string;
}

export interface ApiClient {
  makeToken(request: TokenRequest): Promise<string>;
  /** Registers a site; one that is registered already is left as it is. */
  registerSite(site: SiteInput): Promise<void>;
  makeGatewayCredentials(company: string): Promise<Credentials>;
  postStormAlert(capXml: string): Promise<void>;
  /** True once all of it takes readings. */
  isReady(): Promise<boolean>;
}

const tokenSchema = z.object({ token: z.string() });
const credentialsSchema = z.object({ username: z.string(), secret: z.string() });

export function createApiClient(address: string, token: string): ApiClient {
  async function post(path: string, body: unknown, contentType = 'application/json'): Promise<Response> {
    const response = await fetch(address + path, {
      method: 'POST',
      headers: { authorization: `Bearer ${token}`, 'content-type': contentType },
      body: contentType === 'application/json' ? JSON.stringify(body) : String(body),
    });
    if (!response.ok && response.status !== 409) {
      throw new Error(`POST ${path} was answered with ${response.status}: ${await response.text()}`);
    }
    return response;
  }
  return {
    makeToken: async (request) => tokenSchema.parse(await (await post('/v1/tokens', request)).json()).token,
    registerSite: async (site) => {
      await post('/v1/sites', site);
    },
    makeGatewayCredentials: async (company) =>
      credentialsSchema.parse(await (await post('/v1/gateway-credentials', { company })).json()),
    postStormAlert: async (capXml) => {
      await post('/v1/storm-alerts', capXml, 'application/cap+xml');
    },
    isReady: async () => {
      try {
        return (await fetch(`${address}/readyz`)).status === 200;
      } catch {
        return false;
      }
    },
  };
}
