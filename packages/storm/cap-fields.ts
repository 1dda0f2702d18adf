import type { CapProblem } from './cap-types.ts';
import type { ReadText } from './cap-values.ts';
import type { XmlElement } from './xml-tree.ts';

export const CAP_NAMESPACE = 'urn:oasis:names:tc:emergency:cap:1.2';
const SIGNATURE_NAMESPACE = 'http://www.w3.org/2000/09/xmldsig#';
/** Where a schema may be found: the only attributes a document without any may still carry. */
const SCHEMA_LOCATION = /^[^:]+:(schemaLocation|noNamespaceSchemaLocation)$/;

// The sequences of CAP-v1.2.xsd: order and number are part of the format.
// '1' exactly one, '?' at most one, '+' at least one, '*' any number.
type Occurs = '1' | '?' | '+' | '*';
type Sequence = readonly (readonly [name: string, occurs: Occurs])[];

export const ALERT: Sequence = [
  ['identifier', '1'],
  ['sender', '1'],
  ['sent', '1'],
  ['status', '1'],
  ['msgType', '1'],
  ['source', '?'],
  ['scope', '1'],
  ['restriction', '?'],
  ['addresses', '?'],
  ['code', '*'],
  ['note', '?'],
  ['references', '?'],
  ['incidents', '?'],
  ['info', '*'],
];
export const INFO: Sequence = [
  ['language', '?'],
  ['category', '+'],
  ['event', '1'],
  ['responseType', '*'],
  ['urgency', '1'],
  ['severity', '1'],
  ['certainty', '1'],
  ['audience', '?'],
  ['eventCode', '*'],
  ['effective', '?'],
  ['onset', '?'],
  ['expires', '?'],
  ['senderName', '?'],
  ['headline', '?'],
  ['description', '?'],
  ['instruction', '?'],
  ['web', '?'],
  ['contact', '?'],
  ['parameter', '*'],
  ['resource', '*'],
  ['area', '*'],
];
export const RESOURCE: Sequence = [
  ['resourceDesc', '1'],
  ['mimeType', '1'],
  ['size', '?'],
  ['uri', '?'],
  ['derefUri', '?'],
  ['digest', '?'],
];
export const AREA: Sequence = [
  ['areaDesc', '1'],
  ['polygon', '*'],
  ['circle', '*'],
  ['geocode', '*'],
  ['altitude', '?'],
  ['ceiling', '?'],
];
export const NAMED_VALUE: Sequence = [
  ['valueName', '1'],
  ['value', '1'],
];

/** Reads one element; undefined, with a problem noted, where it cannot be read. */
export type ReadElement<T> = (element: XmlElement, problems: CapProblem[]) => T | undefined;

/** The children of one element, by name. A missing or unreadable one is undefined, and its problem is noted. */
export type Fields = {
  one<T>(name: string, read: ReadElement<T>): T | undefined;
  /** null where the element is left out. */
  optional<T>(name: string, read: ReadElement<T>): T | null | undefined;
  many<T>(name: string, read: ReadElement<T>): T[];
};

/** Checks names, order and number of an element's children against its sequence, and gives access to them. */
export function fieldsOf(element: XmlElement, sequence: Sequence, problems: CapProblem[]): Fields {
  checkAttributes(element, problems);
  if (element.text.trim() !== '') {
    problems.push({ path: element.path, message: 'must hold elements only, no text of its own' });
  }
  const found = new Map<string, XmlElement[]>();
  let reached = 0;
  for (const child of element.children) {
    // The alert may end in XML signatures; who may send alerts is settled before they come here.
    if (child.namespace === SIGNATURE_NAMESPACE && sequence === ALERT) {
      reached = sequence.length;
      continue;
    }
    const position =
      child.namespace === CAP_NAMESPACE ? sequence.findIndex(([name]) => name === child.name) : -1;
    if (position === -1) {
      problems.push({
        path: child.path,
        message: `must not be there: CAP 1.2 has no such element in ${element.name}`,
      });
      continue;
    }
    if (position < reached) {
      const before = sequence[reached]?.[0] ?? 'the signature';
      problems.push({ path: child.path, message: `must stand before ${before}` });
    }
    reached = Math.max(reached, position);
    const sameName = found.get(child.name);
    if (sameName === undefined) found.set(child.name, [child]);
    else sameName.push(child);
  }
  for (const [name, occurs] of sequence) {
    const count = found.get(name)?.length ?? 0;
    const path = `${element.path}/${name}`;
    if (count === 0 && (occurs === '1' || occurs === '+')) problems.push({ path, message: 'must be given' });
    if (count > 1 && (occurs === '1' || occurs === '?')) {
      problems.push({ path, message: `must be given once, not ${count} times` });
    }
  }

  return {
    one(name, read) {
      const child = found.get(name)?.[0];
      return child === undefined ? undefined : read(child, problems);
    },
    optional(name, read) {
      const child = found.get(name)?.[0];
      return child === undefined ? null : read(child, problems);
    },
    many(name, read) {
      const values = (found.get(name) ?? []).map((child) => read(child, problems));
      return values.filter((value) => value !== undefined);
    },
  };
}

/** The reader of an element that holds text only. */
export function leaf<T>(read: ReadText<T>): ReadElement<T> {
  return (element, problems) => {
    checkAttributes(element, problems);
    if (element.children.length > 0) {
      problems.push({ path: element.path, message: 'must hold text only, no elements' });
      return undefined;
    }
    const result = read(element.text);
    if ('value' in result) return result.value;
    problems.push({ path: element.path, message: result.problem });
    return undefined;
  };
}

function checkAttributes(element: XmlElement, problems: CapProblem[]): void {
  for (const name of element.attributes.keys()) {
    if (SCHEMA_LOCATION.test(name)) continue;
    problems.push({
      path: `${element.path}/@${name}`,
      message: 'must not be there: CAP 1.2 has no attributes',
    });
  }
}
