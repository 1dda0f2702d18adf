// Reading CAP 1.2: the standard's own examples, and each way in which a message can be broken, named.
import { describe, expect, it } from 'vitest';
import { parseCap } from './cap.ts';
import {
  BILINGUAL_ALERT,
  EARTHQUAKE_UPDATE,
  SECURITY_ADVISORY,
  THUNDERSTORM_WARNING,
} from './cap-examples.fixture.ts';
import type { CapAlert } from './cap-types.ts';

function parsed(document: string): CapAlert {
  const result = parseCap(document);
  if (!result.ok) throw new Error(JSON.stringify(result.problems));
  return result.alert;
}

function problemsOf(document: string): string[] {
  const result = parseCap(document);
  return result.ok ? [] : result.problems.map(({ path, message }) => `${path} ${message}`);
}

/** The thunderstorm warning with one thing changed. */
function changed(from: string | RegExp, to: string): string {
  if (THUNDERSTORM_WARNING.search(from) === -1) throw new Error(`nothing to change: ${String(from)}`);
  return THUNDERSTORM_WARNING.replace(from, to);
}

describe('the examples of CAP 1.2, appendix A', () => {
  it('A.1: an advisory to the whole country', () => {
    expect(parsed(SECURITY_ADVISORY)).toMatchObject({
      identifier: '43b080713727',
      sender: 'hsas@dhs.gov',
      sentMs: Date.parse('2003-04-02T19:39:01Z'),
      status: 'Actual',
      messageType: 'Alert',
      scope: 'Public',
      infos: [
        {
          language: 'en-US',
          categories: ['Security'],
          urgency: 'Immediate',
          severity: 'Severe',
          certainty: 'Likely',
          headline: 'Homeland Security Sets Code ORANGE',
          web: 'http://www.dhs.gov/dhspublic/display?theme=29',
          parameters: [{ name: 'HSAS', value: 'ORANGE' }],
          areas: [
            {
              description: 'U.S. nationwide and interests worldwide',
              polygons: [],
              circles: [],
              geocodes: [],
            },
          ],
        },
      ],
    });
  });

  it('A.2: a severe thunderstorm warning', () => {
    const alert = parsed(THUNDERSTORM_WARNING);
    expect(alert).toMatchObject({
      identifier: 'KSTO1055887203',
      sender: 'KSTO@NWS.NOAA.GOV',
      references: [],
    });
    expect(alert.infos[0]).toMatchObject({
      event: 'SEVERE THUNDERSTORM',
      responseTypes: ['Shelter'],
      certainty: 'Observed',
      eventCodes: [{ name: 'SAME', value: 'SVR' }],
      onsetMs: null,
      expiresMs: Date.parse('2003-06-17T23:00:00Z'),
    });
    expect(alert.infos[0]?.areas[0]).toMatchObject({
      polygons: [
        [
          { lat: 38.47, lon: -120.14 },
          { lat: 38.34, lon: -119.95 },
          { lat: 38.52, lon: -119.74 },
          { lat: 38.62, lon: -119.89 },
          { lat: 38.47, lon: -120.14 },
        ],
      ],
      geocodes: ['006109', '006009', '006003'].map((value) => ({ name: 'SAME', value })),
    });
  });

  it('A.3: an earthquake report that updates an earlier one', () => {
    const alert = parsed(EARTHQUAKE_UPDATE);
    const earlier = { sender: 'trinet@caltech.edu', identifier: 'TRI13970876.1' };
    expect(alert).toMatchObject({
      messageType: 'Update',
      references: [{ ...earlier, sentMs: Date.parse('2003-06-12T03:30:00Z') }],
    });
    expect(alert.infos[0]).toMatchObject({ urgency: 'Past', severity: 'Minor' });
    expect(alert.infos[0]?.areas[0]?.circles).toEqual([
      { center: { lat: 32.9525, lon: -115.5527 }, radiusKm: 0 },
    ]);
  });

  it('A.4: an alert in two languages', () => {
    const alert = parsed(BILINGUAL_ALERT);
    expect(alert.source).toBe('SW');
    expect(alert.infos.map(({ language, event }) => [language, event])).toEqual([
      ['en-US', 'Child Abduction'],
      ['es-US', 'Abducción de Niño'],
    ]);
  });

  it('stay the same when kept as JSON', () => {
    for (const document of [SECURITY_ADVISORY, THUNDERSTORM_WARNING, EARTHQUAKE_UPDATE, BILINGUAL_ALERT]) {
      expect(JSON.parse(JSON.stringify(parsed(document)))).toEqual(parsed(document));
    }
  });
});

describe('a message that is not as the schema wants it', () => {
  // CAP-v1.2.xsd of the standard: order, number, code lists and patterns.
  it.each(['identifier', 'sender', 'sent', 'status', 'msgType', 'scope'])('has no <%s>', (name) => {
    const without = changed(new RegExp(`<${name}>.*</${name}>`), '');
    expect(problemsOf(without)).toEqual([`/alert/${name} must be given`]);
  });

  it.each(['category', 'event', 'urgency', 'severity', 'certainty'])('has no <%s> in its info', (name) => {
    const without = changed(new RegExp(`<${name}>.*</${name}>`), '');
    expect(problemsOf(without)).toEqual([`/alert/info/${name} must be given`]);
  });

  it.each([
    { name: 'areaDesc', at: '/alert/info/area/areaDesc' },
    { name: 'valueName', at: '/alert/info/eventCode/valueName' },
    { name: 'value', at: '/alert/info/eventCode/value' },
  ])('has no <$name> in one of its parts', ({ name, at }) => {
    const without = changed(new RegExp(`<${name}>.*</${name}>`), '');
    expect(problemsOf(without)).toEqual([`${at} must be given`]);
  });

  const codeLists = [
    { name: 'status', at: '/alert/status', ok: 'Actual, Exercise, System, Test, Draft' },
    { name: 'msgType', at: '/alert/msgType', ok: 'Alert, Update, Cancel, Ack, Error' },
    { name: 'scope', at: '/alert/scope', ok: 'Public, Restricted, Private' },
    { name: 'urgency', at: '/alert/info/urgency', ok: 'Immediate, Expected, Future, Past, Unknown' },
    { name: 'severity', at: '/alert/info/severity', ok: 'Extreme, Severe, Moderate, Minor, Unknown' },
    { name: 'certainty', at: '/alert/info/certainty', ok: 'Observed, Likely, Possible, Unlikely, Unknown' },
    {
      name: 'category',
      at: '/alert/info/category',
      ok: 'Geo, Met, Safety, Security, Rescue, Fire, Health, Env, Transport, Infra, CBRNE, Other',
    },
    {
      name: 'responseType',
      at: '/alert/info/responseType',
      ok: 'Shelter, Evacuate, Prepare, Execute, Avoid, Monitor, Assess, AllClear, None',
    },
  ];
  it.each(codeLists)('has a <$name> from outside its code list', ({ name, at, ok }) => {
    const element = new RegExp(`<${name}>.*</${name}>`);
    for (const wrong of ['Very Likely', 'actual', '', ' Actual']) {
      expect(problemsOf(changed(element, `<${name}>${wrong}</${name}>`))).toEqual([
        `${at} must be one of ${ok}`,
      ]);
    }
    for (const right of ok.split(', ')) {
      const refused = problemsOf(changed(element, `<${name}>${right}</${name}>`));
      // Updates and cancellations need references, private messages addresses: that is another matter.
      expect(refused.filter((problem) => problem.startsWith(at))).toEqual([]);
    }
  });

  const FORM = 'must be a date and time such as 2026-01-15T06:00:00-07:00';
  it.each([
    { time: '2003-06-17T21:57:00Z', problem: `${FORM}: CAP 1.2 does not allow Z, UTC is written -00:00` },
    { time: '2003-06-17T14:57:00', problem: `${FORM}: the offset from UTC is missing` },
    { time: '2003-06-17T14:57:00.5-07:00', problem: `${FORM}: without fractions of a second` },
    { time: '2003-06-17', problem: FORM },
    { time: '17 June 2003', problem: FORM },
    { time: '', problem: FORM },
    { time: '2003-06-17T14:57:00,07:00', problem: FORM },
    { time: '2003-06-17T14:57-07:00', problem: FORM },
    {
      time: '2003-06-31T14:57:00-07:00',
      problem: 'must be a date and time that exists: 2003-06-31T14:57:00 does not',
    },
    {
      time: '2003-02-29T14:57:00-07:00',
      problem: 'must be a date and time that exists: 2003-02-29T14:57:00 does not',
    },
    {
      time: '2003-06-17T24:57:00-07:00',
      problem: 'must be a date and time that exists: 2003-06-17T24:57:00 does not',
    },
    {
      time: '2003-06-17T14:57:60-07:00',
      problem: 'must be a date and time that exists: 2003-06-17T14:57:60 does not',
    },
    { time: '2003-06-17T14:57:00-14:30', problem: 'must have an offset of at most 14:00' },
    { time: '2003-06-17T14:57:00-07:60', problem: 'must have an offset of at most 14:00' },
  ])('was sent at "$time"', ({ time, problem }) => {
    expect(problemsOf(changed('2003-06-17T14:57:00-07:00', time))).toEqual([`/alert/sent ${problem}`]);
  });

  it.each(['effective', 'onset', 'expires'])('has an <%s> in UTC, written Z', (name) => {
    const document = changed(/<expires>.*<\/expires>/, `<${name}>2003-06-17T23:00:00Z</${name}>`);
    expect(problemsOf(document)).toEqual([
      `/alert/info/${name} ${FORM}: CAP 1.2 does not allow Z, UTC is written -00:00`,
    ]);
  });

  it('takes UTC as the standard wants it written, -00:00, and as +00:00', () => {
    for (const offset of ['-00:00', '+00:00']) {
      const alert = parsed(changed('2003-06-17T14:57:00-07:00', `2003-06-17T21:57:00${offset}`));
      expect(alert.sentMs).toBe(Date.parse('2003-06-17T21:57:00Z'));
    }
  });

  it.each([
    {
      why: 'an element in the wrong order',
      document: changed(/(<status>.*<\/status>)(\s*)(<msgType>.*<\/msgType>)/, '$3$2$1'),
      problem: '/alert/status must stand before msgType',
    },
    {
      why: 'an element twice',
      document: changed(/(<event>.*<\/event>)/, '$1$1'),
      problem: '/alert/info/event must be given once, not 2 times',
    },
    {
      why: 'an element of our own invention',
      document: changed('<info>', '<priority>1</priority><info>'),
      problem: '/alert/priority must not be there: CAP 1.2 has no such element in alert',
    },
    {
      why: 'an element from another namespace',
      document: changed('<info>', '<x:note xmlns:x="urn:example">a</x:note><info>'),
      problem: '/alert/note must not be there: CAP 1.2 has no such element in alert',
    },
    {
      why: 'an attribute',
      document: changed('<event>', '<event code="SVR">'),
      problem: '/alert/info/event/@code must not be there: CAP 1.2 has no attributes',
    },
    {
      why: 'text between elements',
      document: changed('<info>', 'storm<info>'),
      problem: '/alert must hold elements only, no text of its own',
    },
    {
      why: 'an element inside a text',
      document: changed('SEVERE THUNDERSTORM<', 'SEVERE <b>THUNDERSTORM</b><'),
      problem: '/alert/info/event must hold text only, no elements',
    },
    {
      why: 'an empty event',
      document: changed('SEVERE THUNDERSTORM<', ' <'),
      problem: '/alert/info/event must not be empty',
    },
    {
      why: 'a language that is none',
      document: changed('<info>', '<info><language>en_US</language>'),
      problem: '/alert/info/language must be a language code such as en-US',
    },
    {
      why: 'a web address that is none',
      document: changed('<area>', '<web>http://[storm</web><area>'),
      problem: '/alert/info/web must be a URI',
    },
    {
      why: 'a resource without type',
      document: changed('<area>', '<resource><resourceDesc>map</resourceDesc></resource><area>'),
      problem: '/alert/info/resource/mimeType must be given',
    },
    {
      why: 'a resource with half a byte',
      document: changed(
        '<area>',
        '<resource><resourceDesc>map</resourceDesc><mimeType>image/gif</mimeType><size>0.5</size></resource><area>',
      ),
      problem: '/alert/info/resource/size must be a whole number',
    },
    {
      why: 'an altitude that is no number',
      document: changed('</area>', '<altitude>high</altitude></area>'),
      problem: '/alert/info/area/altitude must be a number',
    },
  ])('has $why', ({ document, problem }) => {
    expect(problemsOf(document)).toEqual([problem]);
  });

  it('has many faults, and all of them are named', () => {
    const document = changed('Actual', 'actual')
      .replace('2003-06-17T14:57:00-07:00', 'now')
      .replace('Met', 'Storm');
    expect(problemsOf(document).map((problem) => problem.split(' ')[0])).toEqual([
      '/alert/sent',
      '/alert/status',
      '/alert/info/category',
    ]);
  });

  it('says which of several infos it means', () => {
    const document = BILINGUAL_ALERT.replace('Abducción de Niño', '');
    expect(problemsOf(document)).toEqual(['/alert/info[2]/event must not be empty']);
  });
});

describe('a message that breaks what the standard says in words', () => {
  it.each([
    {
      why: 'fewer than four pairs',
      polygon: '38.47,-120.14 38.34,-119.95 38.47,-120.14',
      problem: 'must have at least 4 pairs of coordinates, not 3',
    },
    {
      why: 'an open polygon',
      polygon: '38.4,-120.1 38.3,-119.9 38.5,-119.7 38.6,-119.8',
      problem: 'must be closed: its last pair of coordinates must be its first',
    },
    {
      why: 'a lone number',
      polygon: '38.4,-120.1 38.3 38.5,-119.7 38.4,-120.1',
      problem: 'must be pairs of latitude,longitude: 38.3 is not',
    },
    {
      why: 'longitude before latitude',
      polygon: '-120.1,38.4 -119.9,38.3 -119.7,38.5 -120.1,38.4',
      problem: 'must have latitudes from -90 to 90, not -120.1',
    },
    {
      why: 'a longitude past the antimeridian',
      polygon: '38,180.5 38,179 39,179 38,180.5',
      problem: 'must have longitudes from -180 to 180, not 180.5',
    },
    {
      why: 'no coordinates at all',
      polygon: '',
      problem: 'must have at least 4 pairs of coordinates, not 0',
    },
  ])('has a polygon with $why', ({ polygon, problem }) => {
    const document = changed(/<polygon>.*<\/polygon>/, `<polygon>${polygon}</polygon>`);
    expect(problemsOf(document)).toEqual([`/alert/info/area/polygon ${problem}`]);
  });

  it.each([
    {
      why: 'no radius',
      circle: '32.9,-115.5',
      problem: 'must be a center and a radius in kilometres, such as 32.9525,-115.5527 10',
    },
    {
      why: 'a negative radius',
      circle: '32.9,-115.5 -1',
      problem: 'must have a radius of 0 km or more, not -1',
    },
    { why: 'a unit', circle: '32.9,-115.5 10km', problem: 'must have a radius of 0 km or more, not 10km' },
    { why: 'no center', circle: '32.9 10', problem: 'must be pairs of latitude,longitude: 32.9 is not' },
  ])('has a circle with $why', ({ circle, problem }) => {
    const document = EARTHQUAKE_UPDATE.replace('32.9525,-115.5527 0', circle);
    expect(problemsOf(document)).toEqual([`/alert/info/area/circle ${problem}`]);
  });

  it.each([
    {
      why: 'a space in the identifier',
      from: 'KSTO1055887203',
      to: 'KSTO 1055887203',
      at: '/alert/identifier',
    },
    { why: 'a comma in the sender', from: 'KSTO@NWS.NOAA.GOV', to: 'KSTO,NWS', at: '/alert/sender' },
    {
      why: 'an ampersand in the identifier',
      from: 'KSTO1055887203',
      to: 'KSTO&amp;1',
      at: '/alert/identifier',
    },
  ])('has $why, which would break a reference apart', ({ from, to, at }) => {
    expect(problemsOf(changed(from, to))).toEqual([`${at} must not include spaces, commas, < or &`]);
  });

  it.each([
    {
      why: 'two parts',
      references: 'trinet@caltech.edu,TRI13970876.1',
      problem: 'must be messages as sender,identifier,sent: trinet@caltech.edu,TRI13970876.1 is not',
    },
    {
      why: 'no time',
      references: 'a,b,yesterday',
      problem: `must be a date and time such as 2026-01-15T06:00:00-07:00 (in a,b,yesterday)`,
    },
  ])('has a reference of $why', ({ references, problem }) => {
    const document = EARTHQUAKE_UPDATE.replace(
      /<references>.*<\/references>/,
      `<references>${references}</references>`,
    );
    expect(problemsOf(document)).toEqual([`/alert/references ${problem}`]);
  });

  it.each(['Update', 'Cancel'])('is an %s of nothing', (type) => {
    const document = EARTHQUAKE_UPDATE.replace('Update', type).replace(/<references>.*<\/references>/, '');
    expect(problemsOf(document)).toEqual([
      `/alert/references must be given: ${type} says nothing without the messages it is about`,
    ]);
  });

  it('is private without addresses', () => {
    expect(problemsOf(changed('Public', 'Private'))).toEqual([
      '/alert/addresses must be given: the scope is Private',
    ]);
  });

  it('has a ceiling without an altitude', () => {
    const document = changed('</area>', '<ceiling>9000</ceiling></area>');
    expect(problemsOf(document)).toEqual(['/alert/info/area/ceiling must not be given without an altitude']);
  });
});

describe('what may be written in more than one way', () => {
  it('is read alike: a namespace prefix', () => {
    const prefixed = THUNDERSTORM_WARNING.replace(/<(\/?)([a-zA-Z])/g, '<$1cap:$2').replace(
      'xmlns =',
      'xmlns:cap =',
    );
    expect(parsed(prefixed)).toEqual(parsed(THUNDERSTORM_WARNING));
  });

  it('is read alike: comments, CDATA, character references, a byte order mark', () => {
    const document = changed('SEVERE THUNDERSTORM<', '<![CDATA[HAIL & WIND]]> &lt;60&#32;kt&#x3E;<');
    const commented = `\uFEFF${document.replace('<info>', '<!-- storm --><info>')}<!-- end -->\n`;
    expect(parsed(commented).infos[0]?.event).toBe('HAIL & WIND <60 kt>');
  });

  it('may say where its schema is, and end in a signature', () => {
    const document = changed(
      '<alert ',
      '<alert xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="a b" ',
    ).replace(
      '</alert>',
      '<Signature xmlns="http://www.w3.org/2000/09/xmldsig#"><SignedInfo/></Signature></alert>',
    );
    expect(parsed(document)).toEqual(parsed(THUNDERSTORM_WARNING));
  });

  it('may leave out what is optional, or leave it empty', () => {
    const document = changed(/<headline>.*<\/headline>/, '<headline/>').replace(
      /<instruction>.*<\/instruction>/,
      '',
    );
    expect(parsed(document).infos[0]).toMatchObject({ headline: null, instruction: null });
  });
});

describe('a document that is no CAP message, or means harm', () => {
  const bomb = `<!DOCTYPE a [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>`;
  it.each([
    {
      why: 'a DTD with entities that grow',
      document: bomb + THUNDERSTORM_WARNING.replace(/<\?.*\?>\n/, ''),
      problem: '/ must not have a DTD (<!DOCTYPE or <!ENTITY)',
    },
    {
      why: 'an external entity',
      document: `<!DOCTYPE a SYSTEM "file:///etc/hostname"><a/>`,
      problem: '/ must not have a DTD (<!DOCTYPE or <!ENTITY)',
    },
    {
      why: 'an entity of its own',
      document: changed('SUBSTANTIAL', '&hail;'),
      problem: '/ uses &hail;, which XML does not define',
    },
    {
      why: 'more than 256 KiB',
      document: changed('SUBSTANTIAL', 'X'.repeat(256 * 1024)),
      problem: '/ must be at most 256 KiB',
    },
    {
      why: 'more than 256 KiB in UTF-8, though fewer characters',
      document: changed('SUBSTANTIAL', 'é'.repeat(130 * 1024)),
      problem: '/ must be at most 256 KiB',
    },
    {
      why: '17 levels',
      document: `${'<a>'.repeat(17)}${'</a>'.repeat(17)}`,
      problem: '/ must be at most 16 levels deep',
    },
    {
      why: 'a control character',
      document: changed('SUBSTANTIAL', '\u0007'),
      problem: '/ must not hold control characters',
    },
    {
      why: 'another encoding than it came in',
      document: changed('UTF-8', 'ISO-8859-1'),
      problem: '/ must be in UTF-8, not ISO-8859-1',
    },
    {
      why: 'a CDATA section after its end',
      document: `${THUNDERSTORM_WARNING}<![CDATA[junk]]>`,
      problem: '/ must have nothing but comments outside its root element',
    },
    { why: 'nothing in it', document: '', problem: '/ must end with its root element' },
    { why: 'JSON in it', document: '{"status":"Actual"}', problem: '/ must end with its root element' },
    {
      why: 'a hundred thousand elements',
      document: `<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2">${'<b/>'.repeat(60_000)}</alert>`,
      problem: '/alert/b[1] must not be there: CAP 1.2 has no such element in alert',
    },
  ])('is refused for $why', ({ document, problem }) => {
    expect(problemsOf(document)[0]).toBe(problem);
    expect(problemsOf(document).length).toBeLessThanOrEqual(100);
  });

  it.each([
    { why: 'text after its end', document: `${THUNDERSTORM_WARNING}junk<!-- -->` },
    { why: 'a tag left open', document: changed('</info>', '') },
    { why: 'an attribute without value', document: changed('<info>', '<info a>') },
    { why: 'a bare ampersand', document: changed('SEVERE THUNDERSTORM<', 'HAIL & WIND<') },
    { why: 'a double hyphen in a comment', document: changed('<info>', '<!-- a -- b --><info>') },
    { why: 'a broken declaration', document: changed('encoding', 'encod') },
  ])('is refused as XML for $why', ({ document }) => {
    expect(problemsOf(document)[0]).toMatch(/^\/ (is not well-formed XML|has a broken XML declaration)/);
  });

  it('is refused in the version it is in: CAP 1.1', () => {
    const [problem] = problemsOf(changed('cap:1.2', 'cap:1.1'));
    expect(problem).toBe(
      "/alert must be an alert in the namespace urn:oasis:names:tc:emergency:cap:1.2, not alert in 'urn:oasis:names:tc:emergency:cap:1.1'",
    );
  });
});
