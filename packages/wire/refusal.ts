/** Why something a device sent was not accepted. A closed list: it labels the quarantine and a metric. */
export type RefusalReason =
  // the whole message
  | 'payload-too-large'
  | 'content-type'
  | 'not-senml'
  | 'nested-too-deep'
  | 'too-many-records'
  | 'version'
  | 'mandatory-label'
  | 'not-state'
  // one record of it
  | 'name'
  | 'unknown-quantity'
  | 'time'
  | 'too-old'
  | 'too-far-ahead'
  | 'no-value'
  | 'several-values'
  | 'value-type'
  | 'not-a-number'
  | 'unit'
  | 'out-of-range'
  | 'duplicate'
  | 'no-kind';

/** A whole message that was not accepted. `detail` is a sentence for the device's maker. */
export type Refusal = { kind: 'refused'; reason: RefusalReason; detail: string };

/** One record that was not accepted; the rest of its pack was. */
export type RefusedRecord = {
  reason: RefusalReason;
  detail: string;
  /** The resolved name, made safe to print; empty where there is none. */
  name: string;
  /** Device time, milliseconds since the Unix epoch, where it is known. */
  at?: number;
};

export function refuse(reason: RefusalReason, detail: string): Refusal {
  return { kind: 'refused', reason, detail };
}

/**
 * A text from outside, made safe for a log line, a database column and a page: cut to `characters`, control
 * characters and halves of surrogate pairs replaced.
 */
export function printable(text: string, characters = 80): string {
  const cut = text.length > characters ? `${text.slice(0, characters)}…` : text;
  return cut.replace(/[\p{Cc}\p{Cs}]/gu, '\uFFFD');
}

/** Any value from outside, as a detail names it. */
export function printableValue(value: unknown): string {
  if (typeof value === 'string') return `"${printable(value)}"`;
  if (typeof value === 'number' || typeof value === 'boolean' || value === null) return String(value);
  if (value instanceof Uint8Array) return 'a byte string';
  if (Array.isArray(value)) return 'a list';
  return typeof value === 'object' ? 'an object' : 'something else';
}
