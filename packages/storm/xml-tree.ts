import { XMLParser, XMLValidator } from 'fast-xml-parser';

/** One element of an XML document, its references resolved and its namespace known. */
export type XmlElement = {
  /** The name without prefix. */
  name: string;
  /** '' where none is declared. */
  namespace: string;
  /** Where it stands, as an XPath without prefixes: /alert/info[2]/urgency. */
  path: string;
  /** Names as written, with prefix; namespace declarations are not among them. */
  attributes: ReadonlyMap<string, string>;
  children: readonly XmlElement[];
  /** The text directly inside it, CDATA sections included. */
  text: string;
};

export type XmlResult = { ok: true; root: XmlElement } | { ok: false; message: string };

/** A CAP message is a few KiB; the largest seen with full polygons stay below 100 KiB (from memory). */
const MAX_XML_BYTES = 256 * 1024;
/** CAP nests five deep; an XML signature, which may follow inside the alert, about nine (from memory). */
const MAX_DEPTH = 16;

/** CAP has none; namespace declarations count too, and each is handed down to every element below. */
const MAX_ATTRIBUTES = 32;

const parser = new XMLParser({
  preserveOrder: true,
  ignoreAttributes: false,
  attributeNamePrefix: '',
  parseTagValue: false,
  parseAttributeValue: false,
  trimValues: false,
  // An entity that expands into others is the classic XML bomb. There is no DTD here, so there are none to expand.
  processEntities: false,
  cdataPropName: '#cdata',
  maxNestedTags: MAX_DEPTH,
});

const PREDEFINED_ENTITIES: ReadonlyMap<string, string> = new Map([
  ['lt', '<'],
  ['gt', '>'],
  ['amp', '&'],
  ['quot', '"'],
  ['apos', "'"],
]);

/** XML 1.0, production 23; the groups hold the encoding. */
const XML_DECLARATION =
  /^<\?xml\s+version\s*=\s*(?:"1\.\d"|'1\.\d')(?:\s+encoding\s*=\s*(?:"([A-Za-z][\w.-]*)"|'([A-Za-z][\w.-]*)'))?(?:\s+standalone\s*=\s*(?:"(?:yes|no)"|'(?:yes|no)'))?\s*\?>/;

const MARKUP = /<!--[\s\S]*?-->|<!\[CDATA\[[\s\S]*?\]\]>|<\?[\s\S]*?\?>|<[^>]*>/g;
const COMMENT = /^<!--(?:-?[^-])*-->$/;
const INSTRUCTION = /^<\?[A-Za-z_:][\w:.-]*(?:\s[\s\S]*)?\?>$/;
const TAG = /^<\/?[^\s/>=<"'!?]+(?:\s+[^\s/>=<"']+\s*=\s*(?:"[^<"]*"|'[^<']*'))*\s*\/?>$/;

/** A document that is refused; thrown within this file only. */
class XmlRefusal extends Error {}

/**
 * Reads a small, plain XML document: well-formed, without DTD, at most 256 KiB of UTF-8 and 16 levels deep.
 * A refusal says what is wrong with it.
 */
export function parseXml(document: string): XmlResult {
  try {
    const text = document.replace(/^\uFEFF/, '');
    checkText(text);
    const validity = XMLValidator.validate(text);
    if (validity !== true) {
      const { msg, line, col } = validity.err;
      const reason = msg.replace(/\s+/g, ' ').slice(0, 120);
      throw new XmlRefusal(`is not well-formed XML: ${reason} (line ${line}, column ${col})`);
    }
    checkMarkup(text);
    const nodes: unknown = parser.parse(text);
    const roots = elementsAmong(nodes);
    const [root] = roots;
    if (root === undefined || roots.length !== 1) throw new XmlRefusal('must have exactly one root element');
    return { ok: true, root: toElement(root, `/${localName(root.tag)}`, new Map()) };
  } catch (error) {
    if (error instanceof XmlRefusal) return { ok: false, message: error.message };
    // The parser has no error type of its own: what it throws is about the document (depth, reserved names).
    if (error instanceof Error) return { ok: false, message: `cannot be read as XML: ${error.message}` };
    throw error;
  }
}

function checkText(text: string): void {
  if (text.length > MAX_XML_BYTES || new TextEncoder().encode(text).length > MAX_XML_BYTES) {
    throw new XmlRefusal(`must be at most ${MAX_XML_BYTES / 1024} KiB`);
  }
  if (/<!(DOCTYPE|ENTITY)/i.test(text)) throw new XmlRefusal('must not have a DTD (<!DOCTYPE or <!ENTITY)');
  const declaration = XML_DECLARATION.exec(text);
  if (declaration === null && /^<\?xml\s/.test(text)) throw new XmlRefusal('has a broken XML declaration');
  const encoding = declaration?.[1] ?? declaration?.[2] ?? 'UTF-8';
  if (!/^(utf-8|us-ascii)$/i.test(encoding)) throw new XmlRefusal(`must be in UTF-8, not ${encoding}`);
  // The characters of XML 1.0 (production 2).
  if (/[^\t\n\r\x20-\uD7FF\uE000-\uFFFD\u{10000}-\u{10FFFF}]/u.test(text)) {
    throw new XmlRefusal('must not hold control characters');
  }
  // With this, every < is followed by a > somewhere: no pattern below looks for one through the whole text in vain.
  if (!text.trimEnd().endsWith('>')) throw new XmlRefusal('must end with its root element');
}

/** The validator overlooks malformed attributes and comments, and what stands outside the root element. */
function checkMarkup(text: string): void {
  let depth = 0;
  let end = 0;
  for (const { 0: markup, index } of text.matchAll(MARKUP)) {
    const comment = markup.startsWith('<!--');
    const section = markup.startsWith('<![CDATA[');
    const outside = depth === 0 && (section || text.slice(end, index).trim() !== '');
    if (outside) throw new XmlRefusal('must have nothing but comments outside its root element');
    end = index + markup.length;
    if (comment ? !COMMENT.test(markup) : !section && !INSTRUCTION.test(markup) && !TAG.test(markup)) {
      throw new XmlRefusal(`is not well-formed XML: ${markup.slice(0, 60)}`);
    }
    if (comment || section || markup.startsWith('<?') || markup.endsWith('/>')) continue;
    depth += markup.startsWith('</') ? -1 : 1;
    if (depth > MAX_DEPTH) throw new XmlRefusal(`must be at most ${MAX_DEPTH} levels deep`);
  }
}

/** One node as the parser gives it: { "tag": [children], ":@": { attributes } }. */
type RawElement = { tag: string; children: unknown; attributes: Record<string, unknown> };

function elementsAmong(nodes: unknown): RawElement[] {
  const elements: RawElement[] = [];
  for (const node of asArray(nodes)) {
    if (!isRecord(node)) continue;
    const tag = Object.keys(node).find((key) => key !== ':@');
    if (tag === undefined || tag.startsWith('#') || tag.startsWith('?')) continue;
    const attributes = node[':@'];
    elements.push({ tag, children: node[tag], attributes: isRecord(attributes) ? attributes : {} });
  }
  return elements;
}

function toElement(raw: RawElement, path: string, inherited: ReadonlyMap<string, string>): XmlElement {
  const written = Object.entries(raw.attributes);
  if (written.length > MAX_ATTRIBUTES) throw new XmlRefusal(`must have at most ${MAX_ATTRIBUTES} attributes`);
  const prefixes = new Map(inherited);
  const attributes = new Map<string, string>();
  for (const [name, value] of written) {
    const text = resolveReferences(String(value));
    if (name === 'xmlns') prefixes.set('', text);
    else if (name.startsWith('xmlns:')) prefixes.set(name.slice('xmlns:'.length), text);
    else attributes.set(name, text);
  }
  const prefix = raw.tag.slice(0, Math.max(0, raw.tag.indexOf(':')));
  const namespace = prefixes.get(prefix);
  if (namespace === undefined && prefix !== '') throw new XmlRefusal(`uses the undeclared prefix ${prefix}:`);

  const rawChildren = elementsAmong(raw.children);
  const count = new Map<string, number>();
  for (const child of rawChildren)
    count.set(localName(child.tag), (count.get(localName(child.tag)) ?? 0) + 1);
  const reached = new Map<string, number>();
  const children = rawChildren.map((child) => {
    const name = localName(child.tag);
    const number = (reached.get(name) ?? 0) + 1;
    reached.set(name, number);
    return toElement(child, `${path}/${name}${count.get(name) === 1 ? '' : `[${number}]`}`, prefixes);
  });
  return {
    name: localName(raw.tag),
    namespace: namespace ?? '',
    path,
    attributes,
    children,
    text: textAmong(raw.children),
  };
}

function localName(tag: string): string {
  return tag.slice(tag.indexOf(':') + 1);
}

function textAmong(nodes: unknown): string {
  let text = '';
  for (const node of asArray(nodes)) {
    if (!isRecord(node)) continue;
    const plain = String(node['#text'] ?? '');
    if (plain.includes(']]>')) throw new XmlRefusal('must not have ]]> outside a CDATA section');
    text += resolveReferences(plain);
    for (const section of asArray(node['#cdata'])) {
      if (isRecord(section)) text += String(section['#text'] ?? '');
    }
  }
  return text;
}

/** Character references and the five entities that XML itself defines; there can be no others without a DTD. */
function resolveReferences(text: string): string {
  return text.replace(/&([^;]*);?/g, (reference, name: string) => {
    const digits = /^#(?:x([0-9a-fA-F]{1,6})|([0-9]{1,7}))$/.exec(name);
    if (digits !== null) {
      const code = digits[1] !== undefined ? Number.parseInt(digits[1], 16) : Number(digits[2]);
      if (isXmlCharacter(code)) return String.fromCodePoint(code);
    }
    const character = PREDEFINED_ENTITIES.get(name);
    if (character === undefined)
      throw new XmlRefusal(`uses ${reference.slice(0, 40)}, which XML does not define`);
    return character;
  });
}

function isXmlCharacter(code: number): boolean {
  if (code === 0x9 || code === 0xa || code === 0xd) return true;
  return (
    (code >= 0x20 && code <= 0xd7ff) ||
    (code >= 0xe000 && code <= 0xfffd) ||
    (code >= 0x10000 && code <= 0x10ffff)
  );
}

function asArray(value: unknown): readonly unknown[] {
  return Array.isArray(value) ? value : [];
}

function isRecord(value: unknown): value is Record<string, unknown> {
  return typeof value === 'object' && value !== null;
}
