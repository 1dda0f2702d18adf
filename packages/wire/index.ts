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
export {
  type Site,
  type SiteBattery,
  type SiteInlet,
  type SiteInput,
  type SitePatch,
  sitePatchSchema,
  siteSchema,
} from './site.ts';
export {
  TARIFF_PERIODS,
  type Tariff,
  type TariffPeriod,
  type TariffSeason,
  type TariffSpan,
} from './site-tariff.ts';
