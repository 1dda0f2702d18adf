export { compileCalendar, type PricedPeriod, type TariffCalendar } from './calendar.ts';
export { type ZoneClock, zoneClock } from './zone-clock.ts';
