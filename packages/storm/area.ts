import type { Site } from '@afterwatt/wire';
import type { CapArea, CapCircle, CapPoint, CapPolygon, NamedValue } from './cap-types.ts';

export type SiteLocation = NonNullable<Site['location']>;

/** Mean radius of the Earth, km (IUGG). A sphere is within 0.6 % of WGS 84, finer than any alert's area. */
const EARTH_RADIUS_KM = 6371.0088;
/** SAME location code PSSCCC: part of the county, state FIPS, county FIPS (47 CFR 11.31(c)). */
const SAME_CODE = /^(\d)(\d\d)(\d{3})$/;
/** NWS Universal Geographic Code: state, C county or Z zone, number. */
const UGC_CODE = /^([A-Z]{2}[CZ])(\d{3})$/;

/**
 * Whether a site lies in an alert's area. The area is the union of all that is listed in it (CAP 1.2 section
 * 3.2.4), so one geocode, polygon or circle that meets the site is enough. Areas that are only described in
 * words meet no site.
 */
export function areaMeetsSite(areas: readonly CapArea[], location: SiteLocation): boolean {
  return areas.some(
    (area) =>
      area.geocodes.some((code) => location.geocodes.some((own) => geocodeMeets(code, own))) ||
      area.polygons.some((polygon) => isInPolygon(location, polygon)) ||
      area.circles.some((circle) => isInCircle(location, circle)),
  );
}

/**
 * Whether an alert's geocode covers a site's. SAME: part 0 is all of the county or an unspecified part of it, so
 * it meets every part, on either side; county 000 is the whole state; state 00 the whole country (47 CFR 11.31).
 * UGC: number 000 is the whole state (NWS Directive 10-1702, from memory). Other systems: the same code.
 */
export function geocodeMeets(alert: NamedValue, site: { system: string; code: string }): boolean {
  const system = alert.name.trim().toUpperCase();
  if (system !== site.system.trim().toUpperCase()) return false;
  const alertCode = alert.value.trim().toUpperCase();
  const siteCode = site.code.trim().toUpperCase();
  if (alertCode === siteCode) return true;
  if (system === 'SAME') return sameMeets(SAME_CODE.exec(alertCode), SAME_CODE.exec(siteCode));
  if (system === 'UGC') {
    const [, state, number] = UGC_CODE.exec(alertCode) ?? [];
    return number === '000' && state === UGC_CODE.exec(siteCode)?.[1];
  }
  return false;
}

function sameMeets(alert: RegExpExecArray | null, site: RegExpExecArray | null): boolean {
  if (alert === null || site === null) return false;
  const [, alertPart, alertState, alertCounty] = alert;
  const [, sitePart, siteState, siteCounty] = site;
  if (alertState === '00' && alertCounty === '000') return true;
  if (alertState !== siteState) return false;
  if (alertCounty === '000') return true;
  return alertCounty === siteCounty && (alertPart === '0' || sitePart === '0' || alertPart === sitePart);
}

/**
 * Whether a point lies in a polygon, its border included (even-odd rule in the plane of latitude and longitude:
 * alert polygons are small). A polygon may cross the antimeridian: each side goes the shorter way round.
 */
export function isInPolygon(point: CapPoint, polygon: CapPolygon): boolean {
  const first = polygon[0];
  if (first === undefined) return false;
  // East of the point, degrees, unwrapped along the polygon so that it stays in one piece.
  const ring: { x: number; y: number }[] = [];
  let x = shorterWay(first.lon - point.lon);
  let previousLon = first.lon;
  for (const { lat, lon } of polygon) {
    x += shorterWay(lon - previousLon);
    previousLon = lon;
    ring.push({ x, y: lat - point.lat });
  }
  return [0, 360, -360].some((turn) => ringHoldsOrigin(ring, turn));
}

function ringHoldsOrigin(ring: readonly { x: number; y: number }[], turn: number): boolean {
  let inside = false;
  let a = ring.at(-1);
  for (const b of ring) {
    if (a === undefined) return false;
    const ax = a.x + turn;
    const bx = b.x + turn;
    const cross = ax * b.y - bx * a.y;
    const betweenX = Math.min(ax, bx) <= 0 && Math.max(ax, bx) >= 0;
    const betweenY = Math.min(a.y, b.y) <= 0 && Math.max(a.y, b.y) >= 0;
    if (cross === 0 && betweenX && betweenY) return true;
    // The side crosses the line to the east of the origin.
    if (a.y > 0 !== b.y > 0 && ax - (a.y * (bx - ax)) / (b.y - a.y) > 0) inside = !inside;
    a = b;
  }
  return inside;
}

/** Whether a point lies in a circle, its rim included. */
export function isInCircle(point: CapPoint, { center, radiusKm }: CapCircle): boolean {
  return greatCircleKm(point, center) <= radiusKm;
}

/** Great-circle distance, km (haversine formula: exact also for short distances). */
export function greatCircleKm(a: CapPoint, b: CapPoint): number {
  const halfLat = radians(b.lat - a.lat) / 2;
  const halfLon = radians(b.lon - a.lon) / 2;
  const h =
    Math.sin(halfLat) ** 2 + Math.cos(radians(a.lat)) * Math.cos(radians(b.lat)) * Math.sin(halfLon) ** 2;
  return 2 * EARTH_RADIUS_KM * Math.asin(Math.min(1, Math.sqrt(h)));
}

/** A difference of longitudes as -180 to 180. */
function shorterWay(degrees: number): number {
  return degrees > 180 ? degrees - 360 : degrees < -180 ? degrees + 360 : degrees;
}

function radians(degrees: number): number {
  return (degrees * Math.PI) / 180;
}
