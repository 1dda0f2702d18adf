// The code lists of OASIS Common Alerting Protocol 1.2 (1 July 2010), section 3.2, and a message as we keep it.

export const STATUSES = ['Actual', 'Exercise', 'System', 'Test', 'Draft'] as const;
export const MESSAGE_TYPES = ['Alert', 'Update', 'Cancel', 'Ack', 'Error'] as const;
export const SCOPES = ['Public', 'Restricted', 'Private'] as const;
export const CATEGORIES = [
  'Geo',
  'Met',
  'Safety',
  'Security',
  'Rescue',
  'Fire',
  'Health',
  'Env',
  'Transport',
  'Infra',
  'CBRNE',
  'Other',
] as const;
export const RESPONSE_TYPES = [
  'Shelter',
  'Evacuate',
  'Prepare',
  'Execute',
  'Avoid',
  'Monitor',
  'Assess',
  'AllClear',
  'None',
] as const;
export const URGENCIES = ['Immediate', 'Expected', 'Future', 'Past', 'Unknown'] as const;
export const SEVERITIES = ['Extreme', 'Severe', 'Moderate', 'Minor', 'Unknown'] as const;
export const CERTAINTIES = ['Observed', 'Likely', 'Possible', 'Unlikely', 'Unknown'] as const;

/** Names one message: identifiers are unique per sender. */
export type CapReference = { sender: string; identifier: string; sentMs: number };

export type NamedValue = { name: string; value: string };

/** WGS 84, degrees north and east. */
export type CapPoint = { lat: number; lon: number };
/** At least four points, the last equal to the first. */
export type CapPolygon = readonly CapPoint[];
export type CapCircle = { center: CapPoint; radiusKm: number };

/** The union of all that it lists. */
export type CapArea = {
  description: string;
  polygons: readonly CapPolygon[];
  circles: readonly CapCircle[];
  geocodes: readonly NamedValue[];
};

/** One <info> block: one event, in one language. Times are milliseconds since the Unix epoch. */
export type CapInfo = {
  language: string;
  categories: readonly (typeof CATEGORIES)[number][];
  event: string;
  responseTypes: readonly (typeof RESPONSE_TYPES)[number][];
  urgency: (typeof URGENCIES)[number];
  severity: (typeof SEVERITIES)[number];
  certainty: (typeof CERTAINTIES)[number];
  audience: string | null;
  eventCodes: readonly NamedValue[];
  effectiveMs: number | null;
  onsetMs: number | null;
  expiresMs: number | null;
  senderName: string | null;
  headline: string | null;
  description: string | null;
  instruction: string | null;
  web: string | null;
  contact: string | null;
  parameters: readonly NamedValue[];
  areas: readonly CapArea[];
};

/** One CAP 1.2 message. Plain data: it can be stored as JSON. */
export type CapAlert = CapReference & {
  status: (typeof STATUSES)[number];
  messageType: (typeof MESSAGE_TYPES)[number];
  source: string | null;
  scope: (typeof SCOPES)[number];
  restriction: string | null;
  addresses: string | null;
  codes: readonly string[];
  note: string | null;
  /** The earlier messages it updates, cancels or answers. */
  references: readonly CapReference[];
  incidents: string | null;
  infos: readonly CapInfo[];
};

/** One thing wrong with a document: where (an XPath) and what, as "<path> <message>". */
export type CapProblem = { path: string; message: string };

export type CapResult = { ok: true; alert: CapAlert } | { ok: false; problems: CapProblem[] };
