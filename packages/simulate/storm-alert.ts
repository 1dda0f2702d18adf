import type { Site } from '@afterwatt/wire';
import type { SiteAlert } from './scenario.ts';

/**
 * An invented OASIS CAP 1.2 message that warns a site: by its geocodes, and by a polygon around it.
 * @throws RangeError when the site has no location
 */
export function capAlertXml({ sentMs, onsetMs, expiresMs }: SiteAlert, site: Site): string {
  if (site.location === null) throw new RangeError(`${site.id} has no location that an alert could meet`);
  const { lat, lon, geocodes } = site.location;
  const corner = (north: number, east: number): string =>
    `${(lat + north).toFixed(2)},${(lon + east).toFixed(2)}`;
  const polygon = [
    corner(-0.3, -0.3),
    corner(0.3, -0.3),
    corner(0.3, 0.3),
    corner(-0.3, 0.3),
    corner(-0.3, -0.3),
  ];
  const codes = geocodes.map(
    ({ system, code }) =>
      `      <geocode><valueName>${escaped(system)}</valueName><value>${escaped(code)}</value></geocode>\n`,
  );
  return `<?xml version="1.0" encoding="UTF-8"?>
<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2">
  <identifier>demo-wind-${sentMs}</identifier>
  <sender>storm-desk@weather.invalid</sender>
  <sent>${capTime(sentMs)}</sent>
  <status>Actual</status>
  <msgType>Alert</msgType>
  <scope>Public</scope>
  <info>
    <language>en-US</language>
    <category>Met</category>
    <event>High wind warning</event>
    <responseType>Prepare</responseType>
    <urgency>Expected</urgency>
    <severity>Severe</severity>
    <certainty>Likely</certainty>
    <onset>${capTime(onsetMs)}</onset>
    <expires>${capTime(expiresMs)}</expires>
    <headline>High wind expected (invented for the demo)</headline>
    <description>Gusts of 65 mph may bring down lines. This alert is part of a simulation.</description>
    <area>
      <areaDesc>Surroundings of ${escaped(site.name)}</areaDesc>
      <polygon>${polygon.join(' ')}</polygon>
${codes.join('')}    </area>
  </info>
</alert>
`;
}

/** CAP 1.2, section 3.2: no Z; UTC is written -00:00. */
function capTime(atMs: number): string {
  return `${new Date(atMs).toISOString().slice(0, 19)}-00:00`;
}

function escaped(text: string): string {
  return text.replaceAll('&', '&amp;').replaceAll('<', '&lt;').replaceAll('>', '&gt;');
}
