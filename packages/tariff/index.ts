export { STANDBY_W } from './battery-runs.ts';
export { compileCalendar, type PricedPeriod, type TariffCalendar } from './calendar.ts';
export { type ClockShift, type ClockShiftInput, findClockShift, SHIFT_BIN_MINUTES } from './clock-shift.ts';
export { type ZoneClock, zoneClock } from './zone-clock.ts';
