// State as short JSON. Some fifty states a site are saved every few seconds, and their field names are most of
// their text: so a state is written as its values alone, in the order of its schema, and marked with the shape of
// that schema. What was written in another shape is not read.
//
//   schema                value                      written at 12:00:00
//   z.object({ a, b })    { a: 1.5, b: true }        [1.5, 1]
//   z.enum(['x', 'y'])    'y'                        1
//   z.number()            a time, 5 s before         '3uw' (milliseconds ago, base 36)
//   z.array(z.number())   [7, 0, 0, 0, 0]            [7, [0, 4]]
//                         [1.7, 1.5, 1.8, 2]         '1+h-2+3+2' (tenths: the first and how each differs, base 36)
//   z.array(z.string())   ['W', 'A', 'W', 'W']       ['W', 'A', 0, 0]
//   z.array(z.object())   from COLUMNS_FROM on       { c: [...] }, its columns, instead of rows
//   z.object().transform  what was made of it        as its object: the rest can be made again

import { z } from 'zod';

/** From here on a whole number is a time, ms since the Unix epoch (2001 and later). */
const LEAST_TIME = 1e12;
const BASE = 36;
/** A shorter run of one number is written out. */
const LEAST_RUN = 3;
/** A number of so many decimals is a whole number of these parts. */
const UNITS = [1, 10, 100, 1e3, 1e4, 1e5];
/** Fewer numbers are shorter one by one, and greater ones may not be exact with so many decimals. */
const LEAST_PACKED = 4;
const MOST_PACKED = 1e9;
/** From so many objects on their fields are shorter together. */
const COLUMNS_FROM = 3;
/** Fields of a state whose changes are told by the bits of one number. */
const MOST_FIELDS = 31;

/** Writes and reads the states of one schema. */
export interface Checkpoint {
  /** Names what this writes: another for another owner, and for a schema of other fields. */
  readonly shape: string;
  /** @param atMs the time of the checkpoint, needed again to read it */
  write(state: unknown, atMs: number): unknown;
  /** @returns the state, yet to be parsed with its schema: what was never written by this gives no state */
  read(written: unknown, atMs: number): unknown;
}

/**
 * @param owner the detector or model whose states these are
 * @throws Error for a schema whose states cannot be written, which is a mistake in the schema
 */
export function checkpointOf(owner: string, schema: z.ZodType): Checkpoint {
  const { outline, write, read } = codecOf(schema);
  return { shape: digest(`${owner} ${outline}`), write, read };
}

/**
 * What of a written state is not as at the start: which of its fields, as bits from the first on, and those fields.
 * @returns undefined where all is as at the start
 * @throws RangeError for a state of more than MOST_FIELDS fields, which is a mistake in its schema
 */
export function changesSince(started: unknown, written: unknown): unknown[] | undefined {
  if (!Array.isArray(started) || !Array.isArray(written)) return undefined;
  if (written.length > MOST_FIELDS)
    throw new RangeError(`a state of ${written.length} fields, not ${MOST_FIELDS}`);
  let bits = 0;
  const changed = written.filter((field, place) => {
    if (isSame(field, started[place])) return false;
    bits |= 1 << place;
    return true;
  });
  return bits === 0 ? undefined : [bits, ...changed];
}

/** The written state of which these are the changes. */
export function withChanges(started: unknown, [bits, ...changed]: readonly unknown[]): unknown {
  if (!Array.isArray(started)) return started;
  let next = 0;
  return started.map((field, place) => ((Number(bits) >> place) & 1 ? changed[next++] : field));
}

/** True for values that are the same text as JSON. */
function isSame(a: unknown, b: unknown): boolean {
  if (a === b) return true;
  if (Array.isArray(a) && Array.isArray(b)) {
    if (a.length !== b.length) return false;
    for (let i = 0; i < a.length; i += 1) if (!isSame(a[i], b[i])) return false;
    return true;
  }
  if (typeof a === 'string' || typeof b === 'string') return false;
  if (typeof a === 'number' && typeof b === 'number' && Number.isFinite(a)) return false;
  return JSON.stringify(a) === JSON.stringify(b);
}

interface Codec {
  /** The schema in words, for the shape. */
  readonly outline: string;
  readonly write: (value: unknown, atMs: number) => unknown;
  readonly read: (written: unknown, atMs: number) => unknown;
}

function codecOf(schema: unknown): Codec {
  if (schema instanceof z.ZodObject) return ofObject(Object.entries(schema.shape));
  if (schema instanceof z.ZodArray) {
    const { element } = schema;
    if (element instanceof z.ZodObject || element instanceof z.ZodTuple) return ofRows(element);
    return ofList(codecOf(element));
  }
  if (schema instanceof z.ZodPipe) return codecOf(schema.in);
  if (schema instanceof z.ZodTuple) return ofTuple(schema.def.items.map(codecOf));
  if (schema instanceof z.ZodRecord) return ofRecord(codecOf(schema.valueType));
  if (schema instanceof z.ZodNullable) {
    const present = codecOf(schema.unwrap());
    return present === OF_NUMBER ? OF_NUMBER_OR_NULL : ofNullable(present);
  }
  if (schema instanceof z.ZodEnum) return ofEnum(schema.options);
  if (schema instanceof z.ZodNumber) return OF_NUMBER;
  if (schema instanceof z.ZodBoolean) return OF_BOOLEAN;
  if (schema instanceof z.ZodString) return OF_TEXT;
  if (schema instanceof z.ZodUnion || schema instanceof z.ZodCustom || schema instanceof z.ZodNull)
    return AS_IT_IS;
  throw new Error('a state of this schema cannot be written to a checkpoint');
}

function ofObject(fields: readonly (readonly [string, unknown])[]): Codec {
  const codecs = fields.map(([name, schema]) => ({ name, ...codecOf(schema) }));
  return {
    outline: `{${codecs.map(({ name, outline }) => name + outline).join()}}`,
    write: (value, atMs) =>
      isObject(value) ? codecs.map(({ name, write }) => write(value[name], atMs)) : undefined,
    read(written, atMs) {
      if (!Array.isArray(written)) return undefined;
      const value: Record<string, unknown> = {};
      let place = 0;
      for (const { name, read } of codecs) value[name] = read(written[place++], atMs);
      return value;
    },
  };
}

function ofList(each: Codec): Codec {
  if (each === OF_NUMBER_OR_NULL) return OF_NUMBERS_OR_NULLS;
  if (each === OF_TEXT) return OF_TEXTS;
  return each === OF_NUMBER ? OF_NUMBERS : ofArray(each);
}

/** Objects or tuples of the same fields: a field that is alike in all of them is short as a column. */
function ofRows(schema: z.ZodObject | z.ZodTuple): Codec {
  const isTuple = schema instanceof z.ZodTuple;
  const fields = Object.entries<unknown>(isTuple ? schema.def.items : schema.shape);
  const columns = fields.map(([name, of]) => ({ name, ...ofList(codecOf(of)) }));
  const rows = ofArray(codecOf(schema));
  return {
    outline: rows.outline,
    write(value, atMs) {
      if (!Array.isArray(value) || value.length < COLUMNS_FROM) return rows.write(value, atMs);
      return {
        c: columns.map(({ name, write }) =>
          write(
            value.map((row) => row[name]),
            atMs,
          ),
        ),
      };
    },
    read(written, atMs) {
      if (!isObject(written)) return rows.read(written, atMs);
      const saved = written['c'];
      if (!Array.isArray(saved)) return undefined;
      const lists = columns.map(({ read }, place) => listOf(read(saved[place], atMs)));
      return lists[0]?.map((_, row) => {
        const values = columns.map(({ name }, place) => [name, lists[place]?.[row]] as const);
        return isTuple ? values.map(([, value]) => value) : Object.fromEntries(values);
      });
    },
  };
}

function listOf(value: unknown): readonly unknown[] {
  return Array.isArray(value) ? value : [];
}

function ofArray({ outline, write, read }: Codec): Codec {
  return {
    outline: `${outline}[]`,
    write: (value, atMs) => (Array.isArray(value) ? value.map((each) => write(each, atMs)) : undefined),
    read: (written, atMs) => (Array.isArray(written) ? written.map((each) => read(each, atMs)) : undefined),
  };
}

function ofTuple(items: readonly Codec[]): Codec {
  return {
    outline: `[${items.map(({ outline }) => outline).join()}]`,
    write: (value, atMs) =>
      Array.isArray(value) ? items.map(({ write }, i) => write(value[i], atMs)) : undefined,
    read: (written, atMs) =>
      Array.isArray(written) ? items.map(({ read }, i) => read(written[i], atMs)) : undefined,
  };
}

function ofRecord({ outline, write, read }: Codec): Codec {
  const each = (value: unknown, convert: (of: unknown) => unknown) =>
    isObject(value)
      ? Object.fromEntries(Object.entries(value).map(([name, of]) => [name, convert(of)]))
      : undefined;
  return {
    outline: `<${outline}>`,
    write: (value, atMs) => each(value, (of) => write(of, atMs)),
    read: (written, atMs) => each(written, (of) => read(of, atMs)),
  };
}

function ofNullable({ outline, write, read }: Codec): Codec {
  return {
    outline: `${outline}?`,
    write: (value, atMs) => (value === null ? null : write(value, atMs)),
    read: (written, atMs) => (written === null ? null : read(written, atMs)),
  };
}

function ofEnum(options: readonly unknown[]): Codec {
  return {
    outline: `(${options.join('|')})`,
    write: (value) => options.indexOf(value),
    read: (written) => (typeof written === 'number' ? options[written] : undefined),
  };
}

const OF_NUMBER: Codec = {
  outline: ':n',
  write: (value, atMs) =>
    typeof value === 'number' && value >= LEAST_TIME && Number.isSafeInteger(value)
      ? (Math.round(atMs) - value).toString(BASE)
      : value,
  read: (written, atMs) =>
    typeof written === 'string' ? Math.round(atMs) - Number.parseInt(written, BASE) : written,
};

const OF_NUMBERS: Codec = {
  outline: `${OF_NUMBER.outline}[]`,
  write(value, atMs) {
    if (!Array.isArray(value)) return undefined;
    const runs = inRuns(value.map((each) => OF_NUMBER.write(each, atMs)));
    return runs.length < value.length ? runs : (packed(value) ?? runs);
  },
  read(written, atMs) {
    if (typeof written === 'string') return unpacked(written);
    return Array.isArray(written) ? ofRuns(written).map((each) => OF_NUMBER.read(each, atMs)) : undefined;
  },
};

const OF_NUMBER_OR_NULL: Codec = ofNullable(OF_NUMBER);
const OF_NUMBERS_OR_NULLS: Codec = { ...OF_NUMBERS, outline: `${OF_NUMBER_OR_NULL.outline}[]` };

/** Runs of LEAST_RUN and more as [what repeats, how often]. */
function inRuns(values: readonly unknown[]): unknown[] {
  const runs: unknown[] = [];
  for (let from = 0, to = 0; from < values.length; from = to) {
    while (to < values.length && values[to] === values[from]) to += 1;
    if (to - from >= LEAST_RUN) runs.push([values[from], to - from]);
    else runs.push(...values.slice(from, to));
  }
  return runs;
}

function ofRuns(runs: readonly unknown[]): unknown[] {
  const values: unknown[] = [];
  for (const run of runs) {
    if (!Array.isArray(run)) {
      values.push(run);
      continue;
    }
    const [value, times]: readonly unknown[] = run;
    for (let i = 0; i < Number(times); i += 1) values.push(value);
  }
  return values;
}

/**
 * Numbers as one text: how many decimals they have, then the first and by how much each differs from the one before
 * it, as whole numbers of the last decimal with their signs.
 * @returns undefined for few numbers, and for such as have more decimals
 */
function packed(values: readonly unknown[]): string | undefined {
  if (values.length < LEAST_PACKED) return undefined;
  const decimals = decimalsOf(values);
  if (decimals === undefined) return undefined;
  const unit = UNITS[decimals] ?? 1;
  let text = `${decimals}`;
  let before = 0;
  for (const value of values) {
    const whole = Math.round(Number(value) * unit);
    if (whole >= before) text += '+';
    text += (whole - before).toString(BASE);
    before = whole;
  }
  return text;
}

function unpacked(text: string): number[] {
  const unit = UNITS[Number(text.charAt(0))] ?? 1;
  let whole = 0;
  return (text.slice(1).match(/[+-][0-9a-z]+/g) ?? []).map((step) => {
    whole += Number.parseInt(step, BASE);
    return whole / unit;
  });
}

/** The fewest decimals with which each of these is the number that it is; undefined where that takes too many. */
function decimalsOf(values: readonly unknown[]): number | undefined {
  let decimals = 0;
  for (const value of values) {
    if (typeof value !== 'number' || Math.abs(value) >= MOST_PACKED) return undefined;
    while (!isWhole(value, decimals)) {
      decimals += 1;
      if (decimals === UNITS.length) return undefined;
    }
  }
  return decimals;
}

function isWhole(value: number, decimals: number): boolean {
  const unit = UNITS[decimals] ?? 1;
  return Math.round(value * unit) / unit === value;
}

const OF_BOOLEAN: Codec = {
  outline: ':b',
  write: (value) => (value === true ? 1 : 0),
  read: (written) => (typeof written === 'number' ? written === 1 : undefined),
};

const OF_TEXT: Codec = { outline: ':', write: (value) => value, read: (written) => written };

/** One that came before goes by its place: the figures of an incident have few units and sources. */
const OF_TEXTS: Codec = {
  outline: ofArray(OF_TEXT).outline,
  write: (value) =>
    Array.isArray(value)
      ? value.map((text, place) => {
          const first = value.indexOf(text);
          return first < place ? first : text;
        })
      : undefined,
  read: (written) =>
    Array.isArray(written)
      ? written.map((text) => (typeof text === 'number' ? written[text] : text))
      : undefined,
};

const AS_IT_IS: Codec = { outline: ':', write: (value) => value, read: (written) => written };

function isObject(value: unknown): value is Record<string, unknown> {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}

/** FNV-1a, 32 bits, as text: http://www.isthe.com/chongo/tech/comp/fnv */
function digest(text: string): string {
  let hash = 0x811c9dc5;
  for (let i = 0; i < text.length; i++) {
    hash = Math.imul(hash ^ text.charCodeAt(i), 0x01000193);
  }
  return (hash >>> 0).toString(BASE);
}
