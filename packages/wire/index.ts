export { MAX_PAYLOAD_BYTES } from './decode-pack.ts';
export { type DecodedReadings, decodeAny, decodeReadings, readPlain } from './decode-readings.ts';
export { encodeReadings } from './encode-readings.ts';
export { ID_PATTERN, idSchema } from './id.ts';
export { INCIDENT_KINDS, type IncidentKind, PRIORITIES, type Priority } from './incident-kinds.ts';
export {
  BATTERY_QUANTITIES,
  type BatteryQuantity,
  type BatteryReading,
  type BooleanQuantity,
  emptyBatteryReading,
  emptyMeterReading,
  METER_QUANTITIES,
  type MeterQuantity,
  type MeterReading,
  type NumberQuantity,
  type Reading,
} from './reading.ts';
export { QUANTITY_SLOTS, ReadingBlock, type ReadingKind } from './reading-block.ts';
export type { Refusal, RefusalReason, RefusedRecord } from './refusal.ts';
export type { SenmlRecord } from './senml.ts';
export { encodeCbor } from './senml-cbor.ts';
export { encodeJson } from './senml-json.ts';
export {
  type Site,
  type SiteBattery,
  type SiteInlet,
  type SiteInput,
  siteSchema,
} from './site.ts';
export { patchSite, type SitePatch, sitePatchSchema } from './site-patch.ts';
export {
  TARIFF_PERIODS,
  type Tariff,
  type TariffPeriod,
  type TariffSeason,
  type TariffSpan,
} from './site-tariff.ts';
export { type DecodedState, type DeviceState, decodeState, LAST_WILL } from './state.ts';
export { strictObject } from './strict-object.ts';
export { parseTopic, type Topic, type TopicKind, topicFilter, topicOf } from './topics.ts';
