// What one transaction will write: the rows of many messages, gathered until it is full.

import { createHash } from 'node:crypto';
import { type DeviceStateRow, type NewQuarantined, ReadingRows } from '@afterwatt/store';
import { MAX_PAYLOAD_BYTES, ReadingBlock } from '@afterwatt/wire';
import type { Checked } from './check-message.ts';
import type { Message } from './message.ts';

/** Of a payload that was too large to be read, this much is kept to see what it is. */
const TOO_LARGE_KEPT_BYTES = 64 * 1024;

export class Batch {
  readonly messages: Message[] = [];
  /** Encoded as they come; the readings themselves need not be kept. */
  readonly readings = new ReadingRows();
  readonly states: DeviceStateRow[] = [];
  readonly refused: NewQuarantined[] = [];

  /** Rows that it will write. */
  get size(): number {
    return this.readings.count + this.states.length + this.refused.length;
  }

  /** When the oldest message came; undefined when there is none. */
  get oldestMs(): number | undefined {
    return this.messages[0]?.receivedAtMs;
  }

  clear(): void {
    this.messages.length = 0;
    this.readings.clear();
    this.states.length = 0;
    this.refused.length = 0;
  }

  add(message: Message, { origin, device, readings, refused, state }: Checked): void {
    this.messages.push(message);
    if (device !== undefined) {
      const { deviceNo, siteNo } = device;
      if (readings instanceof ReadingBlock) this.readings.addBlock(siteNo, deviceNo, readings);
      else for (const reading of readings) this.readings.add(siteNo, deviceNo, reading);
      if (state !== undefined)
        this.states.push({ siteNo, deviceNo, receivedAtMs: message.receivedAtMs, state });
    }
    if (refused.length > 0) this.#quarantine(message, origin, refused);
  }

  #quarantine(message: Message, { company, site, device }: Checked['origin'], refused: Checked['refused']) {
    const { payload, receivedAtMs } = message;
    const topic = message.topic.replaceAll('\0', ' ');
    const kept = payload.length > MAX_PAYLOAD_BYTES ? payload.subarray(0, TOO_LARGE_KEPT_BYTES) : payload;
    const common = {
      ...{ receivedAtMs, company, site, device, topic },
      contentType: message.contentType?.replaceAll('\0', ' ') ?? null,
      messageNo: this.messages.length,
      digest: createHash('sha256').update(topic).update('\0').update(payload).digest(),
    };
    refused.forEach((one, index) => {
      this.refused.push({ ...common, ...one, payload: index === 0 ? kept : null });
    });
  }
}
