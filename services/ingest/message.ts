// A message as both sources hand it on.

export interface Message {
  readonly topic: string;
  readonly payload: Buffer;
  /** MQTT 5 content type, where the device gave one. */
  readonly contentType: string | undefined;
  readonly receivedAtMs: number;
  /** Called once, after everything the message held is committed: the device, or the broker, is told. */
  readonly acknowledge: () => void;
}

/** What a source is given: returns false when no more should be sent until `onRoom` is called. */
export type Take = (message: Message) => boolean;
