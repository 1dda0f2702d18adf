import { ALERT, AREA, CAP_NAMESPACE, fieldsOf, INFO, leaf, NAMED_VALUE, RESOURCE } from './cap-fields.ts';
import {
  CATEGORIES,
  type CapAlert,
  type CapArea,
  type CapInfo,
  type CapProblem,
  type CapResult,
  CERTAINTIES,
  MESSAGE_TYPES,
  type NamedValue,
  RESPONSE_TYPES,
  SCOPES,
  SEVERITIES,
  STATUSES,
  URGENCIES,
} from './cap-types.ts';
import {
  anyText,
  capName,
  capTime,
  circle,
  codeOf,
  decimal,
  filledText,
  language,
  optionalText,
  polygon,
  references,
  uri,
  wholeNumber,
} from './cap-values.ts';
import { parseXml, type XmlElement } from './xml-tree.ts';

/** More than a sender would read; a document can be made to have a hundred thousand. */
const MAX_PROBLEMS = 100;

/** A value under construction: a part that could not be read is undefined, and its problem is noted. */
type Draft<T> = { [K in keyof T]: T[K] | undefined };

/**
 * Reads an OASIS CAP 1.2 message (application/cap+xml). It accepts nothing that the schema of the standard
 * refuses, nor what the standard's text forbids: an alert is acted on, so it is understood as a whole or not at all.
 * @param document the XML text, at most 256 KiB
 * @returns the message, or one entry for each field that is wrong, up to 100
 */
export function parseCap(document: string): CapResult {
  const xml = parseXml(document);
  if (!xml.ok) return { ok: false, problems: [{ path: '/', message: xml.message }] };
  const { root } = xml;
  if (root.name !== 'alert' || root.namespace !== CAP_NAMESPACE) {
    const message = `must be an alert in the namespace ${CAP_NAMESPACE}, not ${root.name} in '${root.namespace}'`;
    return { ok: false, problems: [{ path: root.path, message }] };
  }
  const problems: CapProblem[] = [];
  const alert = readAlert(root, problems);
  if (alert !== undefined && problems.length === 0) return { ok: true, alert };
  return { ok: false, problems: problems.slice(0, MAX_PROBLEMS) };
}

function readAlert(element: XmlElement, problems: CapProblem[]): CapAlert | undefined {
  const { one, optional, many } = fieldsOf(element, ALERT, problems);
  const alert: Draft<CapAlert> = {
    identifier: one('identifier', leaf(capName)),
    sender: one('sender', leaf(capName)),
    sentMs: one('sent', leaf(capTime)),
    status: one('status', leaf(codeOf(STATUSES))),
    messageType: one('msgType', leaf(codeOf(MESSAGE_TYPES))),
    source: optional('source', leaf(optionalText)),
    scope: one('scope', leaf(codeOf(SCOPES))),
    restriction: optional('restriction', leaf(optionalText)),
    addresses: optional('addresses', leaf(optionalText)),
    codes: many('code', leaf(anyText)),
    note: optional('note', leaf(optionalText)),
    references: orDefault(optional('references', leaf(references)), []),
    incidents: optional('incidents', leaf(optionalText)),
    infos: many('info', readInfo),
  };
  if (!isComplete<CapAlert>(alert)) return undefined;

  // What the standard's text asks for beyond the schema (section 3.2.1).
  if (alert.scope === 'Private' && alert.addresses === null) {
    problems.push({ path: `${element.path}/addresses`, message: 'must be given: the scope is Private' });
  }
  if ((alert.messageType === 'Update' || alert.messageType === 'Cancel') && alert.references.length === 0) {
    const message = `must be given: ${alert.messageType} says nothing without the messages it is about`;
    problems.push({ path: `${element.path}/references`, message });
  }
  return alert;
}

function readInfo(element: XmlElement, problems: CapProblem[]): CapInfo | undefined {
  const { one, optional, many } = fieldsOf(element, INFO, problems);
  many('resource', checkResource);
  const info: Draft<CapInfo> = {
    language: orDefault(optional('language', leaf(language)), 'en-US'),
    categories: many('category', leaf(codeOf(CATEGORIES))),
    event: one('event', leaf(filledText)),
    responseTypes: many('responseType', leaf(codeOf(RESPONSE_TYPES))),
    urgency: one('urgency', leaf(codeOf(URGENCIES))),
    severity: one('severity', leaf(codeOf(SEVERITIES))),
    certainty: one('certainty', leaf(codeOf(CERTAINTIES))),
    audience: optional('audience', leaf(optionalText)),
    eventCodes: many('eventCode', readNamedValue),
    effectiveMs: optional('effective', leaf(capTime)),
    onsetMs: optional('onset', leaf(capTime)),
    expiresMs: optional('expires', leaf(capTime)),
    senderName: optional('senderName', leaf(optionalText)),
    headline: optional('headline', leaf(optionalText)),
    description: optional('description', leaf(optionalText)),
    instruction: optional('instruction', leaf(optionalText)),
    web: optional('web', leaf(uri)),
    contact: optional('contact', leaf(optionalText)),
    parameters: many('parameter', readNamedValue),
    areas: many('area', readArea),
  };
  return isComplete<CapInfo>(info) ? info : undefined;
}

function readArea(element: XmlElement, problems: CapProblem[]): CapArea | undefined {
  const { one, optional, many } = fieldsOf(element, AREA, problems);
  const altitude = optional('altitude', leaf(decimal));
  const ceiling = optional('ceiling', leaf(decimal));
  if (altitude === null && ceiling !== null) {
    problems.push({ path: `${element.path}/ceiling`, message: 'must not be given without an altitude' });
  }
  const area: Draft<CapArea> = {
    description: one('areaDesc', leaf(filledText)),
    polygons: many('polygon', leaf(polygon)),
    circles: many('circle', leaf(circle)),
    geocodes: many('geocode', readNamedValue),
  };
  return isComplete<CapArea>(area) ? area : undefined;
}

function readNamedValue(element: XmlElement, problems: CapProblem[]): NamedValue | undefined {
  const { one } = fieldsOf(element, NAMED_VALUE, problems);
  const named: Draft<NamedValue> = {
    name: one('valueName', leaf(filledText)),
    value: one('value', leaf(anyText)),
  };
  return isComplete<NamedValue>(named) ? named : undefined;
}

/** We fetch no images or sounds, but a message with a broken resource is a broken message. */
function checkResource(element: XmlElement, problems: CapProblem[]): true {
  const { one, optional } = fieldsOf(element, RESOURCE, problems);
  one('resourceDesc', leaf(filledText));
  one('mimeType', leaf(filledText));
  optional('size', leaf(wholeNumber));
  optional('uri', leaf(uri));
  optional('derefUri', leaf(anyText));
  optional('digest', leaf(anyText));
  return true;
}

function orDefault<T>(value: T | null | undefined, fallback: T): T | undefined {
  return value === null ? fallback : value;
}

function isComplete<T>(draft: Draft<T>): draft is T & Draft<T> {
  return Object.values(draft).every((value) => value !== undefined);
}
