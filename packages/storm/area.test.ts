// Whether an alert's area meets a site: location codes, polygons and circles, against hand-made cases, geometric
// properties, and the great-circle formula of another form.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { areaMeetsSite, geocodeMeets, greatCircleKm, isInCircle, isInPolygon } from './area.ts';
import { parseCap } from './cap.ts';
import { EARTHQUAKE_UPDATE, SECURITY_ADVISORY, THUNDERSTORM_WARNING } from './cap-examples.fixture.ts';
import type { CapArea, CapPoint } from './cap-types.ts';

function areasOf(document: string): readonly CapArea[] {
  const result = parseCap(document);
  if (!result.ok) throw new Error(JSON.stringify(result.problems));
  return result.alert.infos.flatMap((info) => info.areas);
}

const same = (code: string) => [{ system: 'SAME', code }];
/** Nowhere near any example. */
const FAR_AWAY = { lat: 0, lon: 0 };

describe('SAME location codes', () => {
  // 47 CFR 11.31(c): PSSCCC, P = part of the county (0 = all or an unspecified part), SS = state, CCC = county,
  // 000 = the whole state. SS = 00 with CCC = 000: the whole country (11.31(f), from memory).
  it.each([
    { alert: '008031', site: '008031', meets: true, why: 'the same county' },
    { alert: '008031', site: '008001', meets: false, why: 'another county' },
    { alert: '008031', site: '031031', meets: false, why: 'the same county number in another state' },
    { alert: '008031', site: '408031', meets: true, why: 'all of the county holds its central part' },
    { alert: '108031', site: '008031', meets: true, why: 'a site of unknown part may lie in the north-west' },
    { alert: '108031', site: '908031', meets: false, why: 'north-west is not south-east' },
    { alert: '008000', site: '008031', meets: true, why: 'the whole state' },
    { alert: '008000', site: '006003', meets: false, why: 'the whole of another state' },
    { alert: '000000', site: '006003', meets: true, why: 'the whole country' },
    { alert: '8031', site: '008031', meets: false, why: 'not a SAME code' },
  ])('$alert and a site in $site: $meets ($why)', ({ alert, site, meets }) => {
    expect(geocodeMeets({ name: 'SAME', value: alert }, { system: 'SAME', code: site })).toBe(meets);
  });
});

describe('other location codes', () => {
  it.each([
    { system: 'UGC', alert: 'COZ039', site: 'COZ039', meets: true, why: 'the same zone' },
    { system: 'UGC', alert: 'COZ039', site: 'COC039', meets: false, why: 'a zone is not a county' },
    { system: 'UGC', alert: 'COZ000', site: 'COZ039', meets: true, why: 'all zones of the state' },
    { system: 'UGC', alert: 'COZ000', site: 'WYZ039', meets: false, why: 'all zones of another state' },
    { system: 'EMMA_ID', alert: 'AT002', site: 'AT002', meets: true, why: 'any system, the same code' },
    {
      system: 'EMMA_ID',
      alert: 'AT000',
      site: 'AT002',
      meets: false,
      why: 'only SAME and UGC have codes for all',
    },
  ])('$system $alert and a site in $site: $meets ($why)', ({ system, alert, site, meets }) => {
    expect(geocodeMeets({ name: system, value: alert }, { system, code: site })).toBe(meets);
  });

  it('of different systems never meet', () => {
    expect(geocodeMeets({ name: 'UGC', value: '008031' }, { system: 'SAME', code: '008031' })).toBe(false);
  });
});

describe('the areas of the examples of CAP 1.2', () => {
  it('A.2: meets sites in its counties and sites inside its polygon', () => {
    const areas = areasOf(THUNDERSTORM_WARNING);
    expect(areaMeetsSite(areas, { ...FAR_AWAY, geocodes: same('006003') })).toBe(true);
    expect(areaMeetsSite(areas, { lat: 38.48, lon: -119.95, geocodes: [] })).toBe(true);
    expect(areaMeetsSite(areas, { lat: 38.48, lon: -119.95, geocodes: same('006017') })).toBe(true);
    expect(areaMeetsSite(areas, { lat: 38.48, lon: -120.2, geocodes: same('006017') })).toBe(false);
  });

  it('A.3: a circle of radius 0 meets its center only', () => {
    const areas = areasOf(EARTHQUAKE_UPDATE);
    expect(areaMeetsSite(areas, { lat: 32.9525, lon: -115.5527, geocodes: [] })).toBe(true);
    expect(areaMeetsSite(areas, { lat: 32.9525, lon: -115.5528, geocodes: [] })).toBe(false);
  });

  it('A.1: an area in words meets no site, although it means all of them', () => {
    expect(
      areaMeetsSite(areasOf(SECURITY_ADVISORY), { lat: 39.74, lon: -104.99, geocodes: same('008031') }),
    ).toBe(false);
  });
});

const degrees = (min: number, max: number) => fc.double({ min, max, noNaN: true });
const points = fc.record({ lat: degrees(-89, 89), lon: degrees(-180, 180) });

/** A regular polygon around a center, corners given as longitudes from -180 to 180, closed. */
function regularPolygon(center: CapPoint, radiusDegrees: number, corners: number): CapPoint[] {
  const ring = Array.from({ length: corners }, (_, i) => {
    const angle = (2 * Math.PI * i) / corners;
    const lon = center.lon + radiusDegrees * Math.cos(angle);
    return {
      lat: center.lat + radiusDegrees * Math.sin(angle),
      lon: lon > 180 ? lon - 360 : lon < -180 ? lon + 360 : lon,
    };
  });
  return [...ring, ...ring.slice(0, 1)];
}

describe('a polygon', () => {
  const square = [
    { lat: 39, lon: -105 },
    { lat: 39, lon: -104 },
    { lat: 40, lon: -104 },
    { lat: 40, lon: -105 },
    { lat: 39, lon: -105 },
  ];
  /** A house-shaped C, open to the east. */
  const c = [
    { lat: 0, lon: 0 },
    { lat: 0, lon: 3 },
    { lat: 1, lon: 3 },
    { lat: 1, lon: 1 },
    { lat: 2, lon: 1 },
    { lat: 2, lon: 3 },
    { lat: 3, lon: 3 },
    { lat: 3, lon: 0 },
    { lat: 0, lon: 0 },
  ];

  it.each([
    { ring: square, point: { lat: 39.74, lon: -104.99 }, inside: true, why: 'inside' },
    { ring: square, point: { lat: 39.74, lon: -105.01 }, inside: false, why: 'just west of it' },
    { ring: square, point: { lat: 39, lon: -104.5 }, inside: true, why: 'on its border' },
    { ring: square, point: { lat: 40, lon: -104 }, inside: true, why: 'on its corner' },
    { ring: square, point: { lat: 39, lon: -106 }, inside: false, why: 'level with its border' },
    { ring: c, point: { lat: 1.5, lon: 0.5 }, inside: true, why: 'in the back of the C' },
    { ring: c, point: { lat: 1.5, lon: 2 }, inside: false, why: 'in the opening of the C' },
    { ring: c, point: { lat: 1, lon: -1 }, inside: false, why: 'west of two corners at its latitude' },
  ])('holds what is inside it, border included: $why', ({ ring, point, inside }) => {
    expect(isInPolygon(point, ring)).toBe(inside);
  });

  it('holds its center and nothing beyond its corners, wherever it lies, the antimeridian included', () => {
    const cases = fc.record({
      center: fc.record({ lat: degrees(-70, 70), lon: degrees(-180, 180) }),
      radius: degrees(0.01, 15),
      corners: fc.integer({ min: 3, max: 12 }),
      angle: degrees(0, 2 * Math.PI),
    });
    fc.assert(
      fc.property(cases, ({ center, radius, corners, angle }) => {
        const polygon = regularPolygon(center, radius, corners);
        expect(isInPolygon(center, polygon)).toBe(true);
        const lon = center.lon + 1.01 * radius * Math.cos(angle);
        const beyond = { lat: center.lat + 1.01 * radius * Math.sin(angle), lon: ((lon + 540) % 360) - 180 };
        expect(isInPolygon(beyond, polygon)).toBe(false);
        const opposite = { lat: center.lat, lon: center.lon > 0 ? center.lon - 180 : center.lon + 180 };
        expect(isInPolygon(opposite, polygon)).toBe(false);
      }),
      { numRuns: 1000 },
    );
  });

  it('is the same from any corner on, either way round', () => {
    // Whole degrees: exact in floating point, and often right on a border.
    const corner = fc.record({ lat: fc.integer({ min: -5, max: 5 }), lon: fc.integer({ min: -5, max: 5 }) });
    const cases = fc.record({
      ring: fc.array(corner, { minLength: 3, maxLength: 8 }),
      point: corner,
      turn: fc.nat(7),
    });
    fc.assert(
      fc.property(cases, ({ ring, point, turn }) => {
        const close = (corners: CapPoint[]) => [...corners, ...corners.slice(0, 1)];
        const turned = [...ring.slice(turn % ring.length), ...ring.slice(0, turn % ring.length)];
        const inside = isInPolygon(point, close(ring));
        expect(isInPolygon(point, close(turned))).toBe(inside);
        expect(isInPolygon(point, close([...ring].reverse()))).toBe(inside);
      }),
      { numRuns: 1000 },
    );
  });
});

describe('a circle', () => {
  it('reaches as far as its radius, along a meridian: a minute of arc is a nautical mile, 1.852 km', () => {
    // The international nautical mile is exactly 1,852 m; on the mean sphere a minute of arc is 1.853 km.
    expect(greatCircleKm({ lat: 39, lon: -105 }, { lat: 39 + 1 / 60, lon: -105 })).toBeCloseTo(1.853, 3);
    const circle = { center: { lat: 39, lon: -105 }, radiusKm: 1.9 };
    expect(isInCircle({ lat: 39 + 1 / 60, lon: -105 }, circle)).toBe(true);
    expect(isInCircle({ lat: 39 + 1.1 / 60, lon: -105 }, circle)).toBe(false);
  });

  it('reaches over the antimeridian and over a pole', () => {
    expect(greatCircleKm({ lat: 0, lon: 179.5 }, { lat: 0, lon: -179.5 })).toBeCloseTo(111.195, 2);
    expect(greatCircleKm({ lat: 89.5, lon: 0 }, { lat: 89.5, lon: 180 })).toBeCloseTo(111.195, 2);
  });

  it('measures as the angle between the two directions from the center of the Earth does', () => {
    const direction = ({ lat, lon }: CapPoint) => {
      const [phi, lambda] = [(lat * Math.PI) / 180, (lon * Math.PI) / 180];
      return [Math.cos(phi) * Math.cos(lambda), Math.cos(phi) * Math.sin(lambda), Math.sin(phi)] as const;
    };
    fc.assert(
      fc.property(points, points, (a, b) => {
        const [p, q] = [direction(a), direction(b)];
        const cross = Math.hypot(
          p[1] * q[2] - p[2] * q[1],
          p[2] * q[0] - p[0] * q[2],
          p[0] * q[1] - p[1] * q[0],
        );
        const angle = Math.atan2(cross, p[0] * q[0] + p[1] * q[1] + p[2] * q[2]);
        expect(greatCircleKm(a, b)).toBeCloseTo(6371.0088 * angle, 3);
      }),
    );
  });
});
