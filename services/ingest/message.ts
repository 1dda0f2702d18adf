// A message as every source hands it on.

export interface Message {
  readonly topic: string;
  readonly payload: Buffer;
  /** MQTT 5 content type, where the device gave one. */
  readonly contentType: string | undefined;
  readonly receivedAtMs: number;
  /** The company whose credential it came with; undefined where a broker has checked that already. */
  readonly company: string | undefined;
  /** Called once, after everything the message held is committed: the device, or the broker, is told. */
  acknowledge(): void;
}

/** What a source is given: returns false when no more should be sent until `onRoom` is called. */
export type Take = (message: Message) => boolean;

/** Where messages come from. Stopped in two steps: what was taken is written and acknowledged in between. */
export interface Source {
  /** True while every message of a device that is up reaches us: only then does the passing of time mean anything. */
  isConnected(): boolean;
  stopTaking(): void;
  /** Sends the acknowledgements that are still to be sent, then closes. */
  close(): Promise<void>;
}
