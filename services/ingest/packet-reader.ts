// MQTT packets from the chunks of a socket. Nearly all of them are PUBLISH with no property but a content type: these
// are read here, their payload a view of the chunk it came in. All others, and whatever is out of the ordinary, go
// through mqtt-packet, which knows all of MQTT 3.1.1 and 5.0, one whole packet at a time.

import { type IPublishPacket, type Packet, parser } from 'mqtt-packet';

const PUBLISH = 3;
const QOS_2 = 2;
const CONTENT_TYPE = 0x03;
/** MQTT 5.0, 1.5.5: a length has at most four bytes of seven bits; for short ones, which all of ours are, two do. */
const MOST_LENGTH_BYTES = 4;
const CONTINUES = 0x80;

export class PacketReader {
  /** MQTT 5 puts properties before the payload. A CONNECT that is read says which version it is from then on. */
  #version: number;
  readonly #parser;
  readonly #onPacket: (packet: Packet) => void;
  /** What came of a packet that is not complete, and how much of it is needed before it is looked at again. */
  #rest: Buffer[] = [];
  #restBytes = 0;
  #neededBytes = 0;

  /** @param version of the connection, where it is known beforehand */
  constructor(version: 4 | 5, onPacket: (packet: Packet) => void, onError: (error: unknown) => void) {
    this.#version = version;
    this.#parser = parser({ protocolVersion: version });
    this.#onPacket = onPacket;
    this.#parser.on('packet', (packet) => {
      if (packet.cmd === 'connect') this.#version = packet.protocolVersion ?? version;
      onPacket(packet);
    });
    this.#parser.on('error', onError);
  }

  /** @returns how large the packet is that is not complete yet, as far as that is known; 0 = there is none */
  read(chunk: Buffer): number {
    let bytes = chunk;
    // A packet that was cut is put together alone, and once: all others are read where they lie.
    while (this.#restBytes > 0) {
      const lacking = bytes.subarray(0, this.#neededBytes - this.#restBytes);
      this.#rest.push(lacking);
      this.#restBytes += lacking.length;
      bytes = bytes.subarray(lacking.length);
      if (this.#restBytes < this.#neededBytes) return this.#neededBytes;
      const whole = Buffer.concat(this.#rest);
      this.#rest = [];
      this.#restBytes = 0;
      // More may be lacking now that its length is known.
      this.#readWhole(whole);
    }
    return this.#readWhole(bytes);
  }

  /** Reads all packets that are complete, and keeps the rest. */
  #readWhole(bytes: Buffer): number {
    let at = 0;
    // Neighbours that are for mqtt-packet go to it together.
    let others = 0;
    while (at < bytes.length) {
      const end = this.#endOf(bytes, at);
      if (end === undefined) break;
      if ((bytes[at] ?? 0) >> 4 === PUBLISH) {
        if (others < at) this.#parser.parse(bytes.subarray(others, at));
        others = end;
        if (!this.#readPublish(bytes, at, end)) this.#parser.parse(bytes.subarray(at, end));
      }
      at = end;
    }
    if (others < at) this.#parser.parse(bytes.subarray(others, at));
    if (at === bytes.length) return 0;
    this.#rest = [at === 0 ? bytes : bytes.subarray(at)];
    this.#restBytes = bytes.length - at;
    return this.#neededBytes;
  }

  /** Where the packet ends that begins here; undefined = not all of it is there. */
  #endOf(bytes: Buffer, start: number): number | undefined {
    let length = 0;
    for (let index = 0; index < MOST_LENGTH_BYTES; index++) {
      const at = start + 1 + index;
      const byte = bytes[at];
      if (byte === undefined) {
        this.#neededBytes = at + 1 - start;
        return undefined;
      }
      length += (byte % CONTINUES) * CONTINUES ** index;
      if (byte < CONTINUES) {
        const end = at + 1 + length;
        this.#neededBytes = end - start;
        return end <= bytes.length ? end : undefined;
      }
    }
    // No length at all: mqtt-packet says so.
    return bytes.length;
  }

  /** @returns false when it is not an ordinary PUBLISH */
  #readPublish(bytes: Buffer, start: number, end: number): boolean {
    const head = bytes[start] ?? 0;
    const qos = (head >> 1) & 3;
    if (head >> 4 !== PUBLISH || qos > QOS_2) return false;
    let at = start + 2;
    while ((bytes[at - 1] ?? 0) >= CONTINUES) at += 1;
    if (at + 2 > end) return false;
    const topicStart = at + 2;
    at = topicStart + bytes.readUInt16BE(at);
    const idAt = at;
    if (qos > 0) at += 2;
    if (at > end || idAt === topicStart) return false;
    const messageId = qos > 0 ? bytes.readUInt16BE(idAt) : 0;
    if (qos > 0 && messageId === 0) return false;
    let contentType: string | undefined;
    if (this.#version === 5) {
      const properties = bytes[at] ?? 0;
      const after = at + 1 + properties;
      if (at >= end || after > end || properties >= CONTINUES) return false;
      if (properties > 0) {
        if (properties < 3 || bytes[at + 1] !== CONTENT_TYPE) return false;
        if (bytes.readUInt16BE(at + 2) !== properties - 3) return false;
        contentType = bytes.toString('utf8', at + 4, after);
      }
      at = after;
    }
    const packet: IPublishPacket = {
      cmd: 'publish',
      topic: bytes.toString('utf8', topicStart, idAt),
      payload: bytes.subarray(at, end),
      qos: qos === 0 ? 0 : qos === 1 ? 1 : 2,
      messageId,
      dup: (head & 8) !== 0,
      retain: (head & 1) !== 0,
      ...(contentType === undefined ? {} : { properties: { contentType } }),
    };
    this.#onPacket(packet);
    return true;
  }
}
