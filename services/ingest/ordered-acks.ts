// Acknowledgements go out in the order in which their messages came (MQTT 5.0, 4.6 Message ordering), however the
// batches were committed; those of one batch leave in one write.

const PUBACK = 0x40;
const PUBREC = 0x50;
const SUCCESS = 0;

/** An acknowledgement that is owed. */
export interface OwedAck {
  /** @param reasonCode MQTT 5 only; 0 = success */
  settle(reasonCode?: number): void;
}

export class OrderedAcks {
  readonly #write: (bytes: Buffer) => void;
  readonly #onSent: () => void;
  #owed: Owed[] = [];
  #flushing = false;
  #ended = false;

  /** @param onSent called when some were sent, and fewer are owed */
  constructor(write: (bytes: Buffer) => void, onSent: () => void = () => {}) {
    this.#write = write;
    this.#onSent = onSent;
  }

  /** Acknowledgements owed and not sent. */
  get size(): number {
    return this.#owed.length;
  }

  /** @param qos 1 is answered with PUBACK, 2 with PUBREC */
  owe(packetId: number, qos: 1 | 2 = 1): OwedAck {
    const owed = new Owed(this, qos === 1 ? PUBACK : PUBREC, packetId);
    this.#owed.push(owed);
    return owed;
  }

  /** The connection is gone: packet ids mean nothing on another one, so nothing more is ever sent. */
  end(): void {
    this.#ended = true;
    this.#owed = [];
  }

  /** Sends what may be sent now. */
  flush(): void {
    this.#flushing = false;
    if (this.#ended) return;
    let count = this.#owed.findIndex((owed) => owed.reasonCode === undefined);
    if (count === -1) count = this.#owed.length;
    if (count === 0) return;
    const bytes = Buffer.allocUnsafe(count * 5);
    let end = 0;
    for (let index = 0; index < count; index++) {
      const owed = this.#owed[index];
      if (owed !== undefined) end = owed.writeTo(bytes, end);
    }
    this.#owed = this.#owed.slice(count);
    this.#write(bytes.subarray(0, end));
    this.#onSent();
  }

  /** Called when one is settled; all that are settled in the same turn go together. */
  flushSoon(): void {
    if (this.#flushing || this.#ended) return;
    this.#flushing = true;
    setImmediate(() => this.flush());
  }
}

class Owed implements OwedAck {
  readonly #acks: OrderedAcks;
  readonly #type: number;
  readonly #packetId: number;
  reasonCode: number | undefined;

  constructor(acks: OrderedAcks, type: number, packetId: number) {
    this.#acks = acks;
    this.#type = type;
    this.#packetId = packetId;
  }

  settle(reasonCode: number = SUCCESS): void {
    this.reasonCode = reasonCode;
    this.#acks.flushSoon();
  }

  /** Success takes the short form that MQTT 3.1.1 and 5.0 share (MQTT 5.0, 3.4.2.1). */
  writeTo(bytes: Buffer, at: number): number {
    const long = this.reasonCode !== SUCCESS;
    let end = bytes.writeUInt8(this.#type, at);
    end = bytes.writeUInt8(long ? 3 : 2, end);
    end = bytes.writeUInt16BE(this.#packetId, end);
    return long ? bytes.writeUInt8(this.reasonCode ?? SUCCESS, end) : end;
  }
}
