import {
  printable,
  printableValue,
  type Refusal,
  type RefusalReason,
  type RefusedRecord,
  refuse,
} from './refusal.ts';

/** One record of a SenML pack as it is sent (RFC 8428 table 1). */
export type SenmlRecord = {
  bn?: string;
  bt?: number;
  bu?: string;
  bv?: number;
  bs?: number;
  bver?: number;
  n?: string;
  u?: string;
  v?: number;
  vs?: string;
  vb?: boolean;
  /** Base64url text in JSON, bytes in CBOR. */
  vd?: string | Uint8Array;
  s?: number;
  t?: number;
  ut?: number;
};

/** One record with all base fields applied (RFC 8428 section 4.6). */
export type ResolvedRecord = {
  n: string;
  u: string | undefined;
  /** Seconds since the Unix epoch. */
  t: number;
  /** At most one of v, vs, vb, vd is there, and none of them only beside a sum. */
  v: number | undefined;
  vs: string | undefined;
  vb: boolean | undefined;
  vd: string | Uint8Array | undefined;
  s: number | undefined;
  ut: number | undefined;
};

export type ResolvedPack = { kind: 'resolved'; records: ResolvedRecord[]; refused: RefusedRecord[] };

/** RFC 8428 section 4.4: the version of a pack that names none. */
const DEFAULT_VERSION = 10;
/** RFC 9100 section 4: version 10 with feature 4, secondary units. */
const VERSION_WITH_SECONDARY_UNITS = DEFAULT_VERSION + 2 ** 4;
/** RFC 8428 section 4.5.3: a time below this counts from now. */
export const FIRST_ABSOLUTE_TIME = 2 ** 28;
const LABELS = new Set([
  'bn',
  'bt',
  'bu',
  'bv',
  'bs',
  'bver',
  'n',
  'u',
  'v',
  'vs',
  'vb',
  'vd',
  's',
  't',
  'ut',
]);
/** Longer than any identifier; each record of a pack repeats the base name, so it must not be long. */
export const MAX_BASE_NAME = 255;
/** RFC 8428 section 4.5.1. */
export const NAME_PATTERN = /^[A-Za-z0-9][A-Za-z0-9\-:./_]*$/;

/** A record as it came: known labels, values of any type. */
type RawRecord = { [Label in keyof SenmlRecord]?: unknown };

/** The base fields in force, from their record onward. */
type BaseFields = {
  name: string;
  time: number;
  unit: string | undefined;
  value: number | undefined;
  sum: number | undefined;
  version: number | undefined;
};

/**
 * Resolves a pack (RFC 8428 section 4.6): applies base fields, turns relative times into absolute ones. A record
 * that cannot be used is set aside with its reason; a fault that touches more than its own record (a base field,
 * the version, a label that must be understood) refuses the pack.
 * @param pack the decoded array; anything may be in it
 * @param receivedAtMs the "now" of relative times, milliseconds since the Unix epoch
 * @returns the resolved records in the order of the pack
 */
export function resolvePack(pack: readonly unknown[], receivedAtMs: number): ResolvedPack | Refusal {
  if (pack.length === 0) return refuse('not-senml', 'A pack must have at least one record, it has none.');
  const base: BaseFields = {
    name: '',
    time: 0,
    unit: undefined,
    value: undefined,
    sum: undefined,
    version: undefined,
  };
  const nowS = receivedAtMs / 1000;
  const records: ResolvedRecord[] = [];
  const refused: RefusedRecord[] = [];
  for (let index = 0; index < pack.length; index += 1) {
    const raw = pack[index];
    if (!isObject(raw)) {
      return refuse('not-senml', `Record ${index + 1} must be an object, it is ${printableValue(raw)}.`);
    }
    const problem = findLabelProblem(raw) ?? applyBaseFields(raw, base);
    if (problem !== undefined) {
      return refuse(problem.reason, `Record ${index + 1}: ${problem.detail}`);
    }
    if (!hasRegularField(raw)) continue;
    const record = resolveRecord(raw, base, nowS);
    if ('reason' in record) refused.push(record);
    else records.push(record);
  }
  return { kind: 'resolved', records, refused };
}

/** RFC 8428 section 4.4: unknown labels are ignored, but for those that end in "_". */
function findLabelProblem(raw: RawRecord): Refusal | undefined {
  for (const label in raw) {
    if (!LABELS.has(label) && label.endsWith('_')) {
      return refuse(
        'mandatory-label',
        `the label "${printable(label)}" ends in "_", so it must be understood, and it is not known here.`,
      );
    }
  }
  return undefined;
}

function applyBaseFields(raw: RawRecord, base: BaseFields): Refusal | undefined {
  const { bn, bt, bu, bv, bs, bver } = raw;
  if (bn !== undefined) {
    if (typeof bn !== 'string' || bn.length > MAX_BASE_NAME) {
      return badBaseField('bn', `a string of at most ${MAX_BASE_NAME} characters`, bn);
    }
    base.name = bn;
  }
  if (bt !== undefined) {
    if (!isFiniteNumber(bt)) return badBaseField('bt', 'a finite number of seconds', bt);
    base.time = bt;
  }
  if (bu !== undefined) {
    if (typeof bu !== 'string') return badBaseField('bu', 'a string', bu);
    base.unit = bu;
  }
  if (bv !== undefined) {
    if (!isFiniteNumber(bv)) return badBaseField('bv', 'a finite number', bv);
    base.value = bv;
  }
  if (bs !== undefined) {
    if (!isFiniteNumber(bs)) return badBaseField('bs', 'a finite number', bs);
    base.sum = bs;
  }
  if (bver === undefined) {
    base.version ??= DEFAULT_VERSION;
  } else {
    if (!isSupportedVersion(bver)) {
      return refuse(
        'version',
        `bver must be at most ${DEFAULT_VERSION}, or ${VERSION_WITH_SECONDARY_UNITS} for secondary units, it is ${printableValue(bver)}.`,
      );
    }
    if (base.version !== undefined && base.version !== bver) {
      return refuse(
        'version',
        `bver must be the same throughout a pack, it is ${bver} after ${base.version} (a pack that names none has ${DEFAULT_VERSION}).`,
      );
    }
    base.version = bver;
  }
  return undefined;
}

/** RFC 8428 section 4.4 up to version 10; RFC 9100 section 2.2 beyond: all feature bits must be known. */
function isSupportedVersion(bver: unknown): bver is number {
  if (typeof bver !== 'number' || !Number.isInteger(bver)) return false;
  return (bver >= 1 && bver <= DEFAULT_VERSION) || bver === VERSION_WITH_SECONDARY_UNITS;
}

/** A record of base fields alone sets the scene for those after it (the first one of RFC 8428 section 5.1.7). */
function hasRegularField({ n, u, v, vs, vb, vd, s, t, ut }: RawRecord): boolean {
  return (
    v !== undefined ||
    n !== undefined ||
    vb !== undefined ||
    vs !== undefined ||
    vd !== undefined ||
    s !== undefined ||
    t !== undefined ||
    u !== undefined ||
    ut !== undefined
  );
}

/** Applies the base fields to one record that has regular fields. */
function resolveRecord(raw: RawRecord, base: BaseFields, nowS: number): ResolvedRecord | RefusedRecord {
  const { n = '', u = base.unit, v, vs, vb, vd, s, t = 0, ut } = raw;
  if (typeof n !== 'string') return wrongType('name', base.name, 'n', 'a string', n);
  const name = base.name + n;
  if (!NAME_PATTERN.test(name)) {
    return setAside(
      'name',
      name,
      'must begin with a letter or a digit and hold only letters, digits and - : . / _',
    );
  }
  if (u !== undefined && typeof u !== 'string') return wrongType('unit', name, 'u', 'a string', u);
  if (!isFiniteNumber(t)) return wrongType('time', name, 't', 'a finite number of seconds', t);
  if (v !== undefined && !isFiniteNumber(v))
    return wrongType('not-a-number', name, 'v', 'a finite number', v);
  if (s !== undefined && !isFiniteNumber(s))
    return wrongType('not-a-number', name, 's', 'a finite number', s);
  if (ut !== undefined && !isFiniteNumber(ut))
    return wrongType('not-a-number', name, 'ut', 'a finite number', ut);
  if (vs !== undefined && typeof vs !== 'string') return wrongType('value-type', name, 'vs', 'a string', vs);
  if (vb !== undefined && typeof vb !== 'boolean')
    return wrongType('value-type', name, 'vb', 'true or false', vb);
  if (vd !== undefined && typeof vd !== 'string' && !(vd instanceof Uint8Array)) {
    return wrongType('value-type', name, 'vd', 'base64url text or a byte string', vd);
  }

  const otherValues = Number(vs !== undefined) + Number(vb !== undefined) + Number(vd !== undefined);
  if (otherValues + Number(v !== undefined) > 1) {
    return setAside('several-values', name, 'must have exactly one of v, vs, vb and vd');
  }
  const sum = s === undefined && base.sum === undefined ? undefined : (base.sum ?? 0) + (s ?? 0);
  // RFC 8428 section 4.5.4: of Base Value and Value, the missing one is zero.
  const hasNumber = v !== undefined || (base.value !== undefined && otherValues === 0);
  if (!hasNumber && otherValues === 0 && sum === undefined) {
    return setAside('no-value', name, 'must have one of v, vs, vb, vd and s');
  }
  const time = base.time + t;
  return {
    n: name,
    u,
    t: time < FIRST_ABSOLUTE_TIME ? nowS + time : time,
    v: hasNumber ? (base.value ?? 0) + (v ?? 0) : undefined,
    vs,
    vb,
    vd,
    s: sum,
    ut,
  };
}

function badBaseField(label: string, expected: string, value: unknown): Refusal {
  return refuse('not-senml', `${label} must be ${expected}, it is ${printableValue(value)}.`);
}

function wrongType(reason: RefusalReason, name: string, label: string, expected: string, value: unknown) {
  return setAside(reason, name, `must have ${label} as ${expected}, not as ${printableValue(value)}`);
}

function setAside(reason: RefusalReason, name: string, rule: string): RefusedRecord {
  const printed = printable(name);
  return { reason, name: printed, detail: `The record "${printed}" ${rule}.` };
}

function isObject(value: unknown): value is RawRecord {
  return (
    typeof value === 'object' && value !== null && !Array.isArray(value) && !(value instanceof Uint8Array)
  );
}

function isFiniteNumber(value: unknown): value is number {
  return typeof value === 'number' && Number.isFinite(value);
}
