// The live stream, and whether what it says is still of today: it may be connected while no readings come in.

const READY_EVERY_MS = 20_000;
const AGAIN_MS = 5_000;

/**
 * @param heard called with each incident that changed
 * @param changed called with { state: 'live' | 'lost' | 'stale', why, heardAt } whenever one of them may have changed
 * @param gone called when the session is over
 * @returns what closes it
 */
export function openConnection({ heard, changed, gone }) {
  let stream;
  let again;
  let isOpen = false;
  let wasOpen = false;
  let missing = [];
  let heardAt = new Date();

  function tell() {
    // The first connection takes a moment, and nothing is lost by it.
    if (!wasOpen) return;
    if (!isOpen) changed({ state: 'lost', why: [], heardAt });
    else if (missing.length > 0) changed({ state: 'stale', why: missing, heardAt });
    else changed({ state: 'live', why: [], heardAt });
  }

  function open() {
    stream = new EventSource('/v1/incidents/stream');
    stream.addEventListener('open', () => {
      isOpen = true;
      wasOpen = true;
      heardAt = new Date();
      tell();
    });
    stream.addEventListener('message', (event) => {
      heardAt = new Date();
      heard(JSON.parse(event.data));
      tell();
    });
    stream.addEventListener('error', () => {
      isOpen = false;
      wasOpen = true;
      tell();
      // The browser comes back by itself after a broken connection, but not after a refusal.
      if (stream.readyState === EventSource.CLOSED) again = setTimeout(reopen, AGAIN_MS);
    });
  }

  async function reopen() {
    const response = await fetch('/v1/session').catch(() => undefined);
    if (response?.status === 401) gone();
    else open();
  }

  async function askReady() {
    try {
      const response = await fetch('/readyz');
      const answer = await response.json();
      missing = response.ok ? [] : (answer.missing ?? [answer.detail]);
      if (isOpen) heardAt = new Date();
    } catch {
      isOpen = false;
    }
    tell();
  }

  open();
  void askReady();
  const asking = setInterval(askReady, READY_EVERY_MS);
  return () => {
    stream.close();
    clearTimeout(again);
    clearInterval(asking);
  };
}
