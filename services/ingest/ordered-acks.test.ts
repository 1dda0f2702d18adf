// MQTT 5.0, 4.6: "the Server MUST send PUBACK packets in the order in which the corresponding PUBLISH packets were
// received"; the bytes are those of 3.4 (PUBACK) and 3.5 (PUBREC).

import { setImmediate as turn } from 'node:timers/promises';
import { describe, expect, it } from 'vitest';
import { OrderedAcks } from './ordered-acks.ts';

function acksWith(): { acks: OrderedAcks; sent: string[] } {
  const sent: string[] = [];
  return { acks: new OrderedAcks((bytes) => sent.push(bytes.toString('hex'))), sent };
}

describe('acknowledgements', () => {
  it('wait for those of earlier messages, and then leave together', async () => {
    const { acks, sent } = acksWith();
    const [first, second, third] = [acks.owe(7), acks.owe(0x1234), acks.owe(9)];
    second.settle();
    await turn();
    expect(sent).toEqual([]);
    first.settle();
    await turn();
    expect(sent).toEqual(['4002000740021234']);
    third.settle();
    await turn();
    expect(sent[1]).toBe('40020009');
    expect(acks.size).toBe(0);
  });

  it('carry a reason where there is one, and answer QoS 2 with PUBREC', async () => {
    const { acks, sent } = acksWith();
    acks.owe(1).settle(0x87);
    acks.owe(2, 2).settle();
    await turn();
    expect(sent).toEqual(['400300018750020002']);
  });

  it('never leave on a connection that has ended', async () => {
    const { acks, sent } = acksWith();
    const late = acks.owe(1);
    acks.owe(2).settle();
    acks.end();
    late.settle();
    await turn();
    acks.flush();
    expect(sent).toEqual([]);
  });
});
