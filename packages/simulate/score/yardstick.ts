// What a machine is worth: the time of a calculation that everyone has and that does not change, so that costs
// measured on different machines, or on a busy one, can be compared.

/** One meter reading as SenML (RFC 8428), as it comes over the wire. */
const PACK = JSON.stringify([
  { bn: 'urn:dev:ops:invented-meter:', bt: 1_772_478_000, n: 'l1.v', u: 'V', v: 121.4, ut: 5 },
  { n: 'l2.v', u: 'V', v: 120.9 },
  { n: 'l1.i', u: 'A', v: 6.42 },
  { n: 'l2.i', u: 'A', v: 3.07 },
  { n: 'l1.p', u: 'W', v: 768 },
  { n: 'l2.p', u: 'W', v: 352 },
  { n: 'inlet1.i', u: 'A', v: 0.05 },
  { n: 'inlet1.p', u: 'W', v: 5 },
  { n: 'seq', v: 81_734 },
]);
const TIMES = 200;

/**
 * Processor time of one `JSON.parse` of a meter's pack of nine records, microseconds, measured here and now.
 * @param cpuUs processor time of this process, microseconds
 */
export function yardstickUs(cpuUs: () => number): number {
  let records = 0;
  const beforeUs = cpuUs();
  for (let time = 0; time < TIMES; time += 1) records += JSON.parse(PACK).length;
  const afterUs = cpuUs();
  if (records !== 9 * TIMES) throw new Error('the yardstick was not parsed');
  return (afterUs - beforeUs) / TIMES;
}
