// A storm warning as a weather office sends it: OASIS Common Alerting Protocol 1.2, section 3.2.

import type { StormMessage } from './hand-made-faults.ts';

const SENDER = 'warnings@example.org';
const HOUR_S = 3_600;
const DAY_S = 86_400;

/** @param fromS the start of the case, seconds since 1970 */
export function capMessage(message: StormMessage, fromS: number): string {
  const { identifier, status = 'Actual', msgType = 'Alert', sameCode, onsetHour, changes } = message;
  const onsetS = fromS + onsetHour * HOUR_S;
  return `<?xml version="1.0" encoding="UTF-8"?>
<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2">
  <identifier>${identifier}</identifier><sender>${SENDER}</sender><sent>${sentOf(message, fromS)}</sent>
  <status>${status}</status><msgType>${msgType}</msgType><scope>Public</scope>
  ${changes === undefined ? '' : `<references>${SENDER},${changes.identifier},${sentOf(changes, fromS)}</references>`}
  <info>
    <category>Met</category><event>Ice Storm Warning</event><urgency>Expected</urgency>
    <severity>Severe</severity><certainty>Likely</certainty>
    <onset>${capTime(onsetS)}</onset><expires>${capTime(onsetS + DAY_S)}</expires>
    <area><areaDesc>A county</areaDesc><geocode><valueName>SAME</valueName><value>${sameCode}</value></geocode></area>
  </info>
</alert>`;
}

function sentOf({ sentHour }: StormMessage, fromS: number): string {
  return capTime(fromS + sentHour * HOUR_S);
}

/** CAP writes no Z and no fractions of a second. */
function capTime(s: number): string {
  return `${new Date(Math.round(s) * 1000).toISOString().slice(0, 19)}-00:00`;
}
