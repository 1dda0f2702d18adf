// An ice storm warning for Denver's county, all else of a CAP 1.2 message left out: what a test names is what decides.

import type { CapAlert, CapInfo, CapReference } from './cap-types.ts';

export function aWarningInfo(info: Partial<CapInfo> = {}): CapInfo {
  return {
    language: 'en-US',
    categories: ['Met'],
    event: 'Ice Storm Warning',
    responseTypes: ['Prepare'],
    urgency: 'Expected',
    severity: 'Severe',
    certainty: 'Likely',
    audience: null,
    eventCodes: [],
    effectiveMs: null,
    onsetMs: null,
    expiresMs: null,
    senderName: null,
    headline: null,
    description: null,
    instruction: null,
    web: null,
    contact: null,
    parameters: [],
    areas: [
      { description: 'Denver', polygons: [], circles: [], geocodes: [{ name: 'SAME', value: '008031' }] },
    ],
    ...info,
  };
}

export function aWarning(message: CapReference & Partial<CapAlert>): CapAlert {
  return {
    status: 'Actual',
    messageType: 'Alert',
    source: null,
    scope: 'Public',
    restriction: null,
    addresses: null,
    codes: [],
    note: null,
    references: [],
    incidents: null,
    infos: [aWarningInfo()],
    ...message,
  };
}
