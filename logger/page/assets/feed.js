// The line to the server: reads its events, notices when it falls silent, and connects again.
//
// Not an EventSource: that hides the server's comment lines, so it cannot tell a quiet bay from a
// tablet that has left the network.

const SILENT_MS = 20_000;
const FIRST_PAUSE_MS = 500;
const LONGEST_PAUSE_MS = 4_000;

export class Feed {
  /**
   * @param {string} url
   * @param {(kind: string, message: object) => void} hear gets each event
   * @param {(link: "wait" | "up" | "lost", words: string) => void} tell gets each change of the line
   */
  constructor(url, hear, tell) {
    this._url = url;
    this._hear = hear;
    this._tell = tell;
    this._lastId = null;
    this._why = "";
  }

  async run() {
    let pause = FIRST_PAUSE_MS;
    for (;;) {
      const heard = await this._listen();
      pause = heard ? FIRST_PAUSE_MS : Math.min(2 * pause, LONGEST_PAUSE_MS);
      this._tell("lost", this._why);
      this._why = "";
      await sleep(pause);
    }
  }

  /** One connection, to its end; true if anything was heard on it. */
  async _listen() {
    const stop = new AbortController();
    const watch = new Watch(SILENT_MS, () => stop.abort());
    const headers = { Accept: "text/event-stream" };
    if (this._lastId !== null) headers["Last-Event-ID"] = this._lastId;
    let heard = false;
    try {
      const answer = await fetch(this._url, { headers, cache: "no-store", signal: stop.signal });
      // This viewer has to enter again: the server has a page for that.
      if (answer.status === 401) window.location.reload();
      if (!answer.ok) return false;
      this._tell("up", "");
      const parser = new EventParser();
      const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
      for (;;) {
        const { value, done } = await reader.read();
        if (done) return heard;
        watch.feed();
        for (const event of parser.feed(value)) {
          heard = true;
          this._take(event);
        }
      }
    } catch (error) {
      // A line that ends is no fault of the page; anything else is, and must be seen.
      if (!(error instanceof TypeError) && error.name !== "AbortError") throw error;
      return heard;
    } finally {
      watch.end();
      stop.abort();
    }
  }

  _take({ kind, data, id }) {
    const message = JSON.parse(data);
    if (kind === "gone") this._why = message.words ?? "";
    else this._hear(kind, message);
    // Only what was taken in is not asked for again.
    if (id !== null) this._lastId = id;
  }
}

/** Text of an event stream to events (WHATWG HTML, 9.2.6). */
export class EventParser {
  constructor() {
    this._rest = "";
    this._forget();
  }

  *feed(text) {
    const lines = (this._rest + text).split(/\r\n|\n|\r(?!$)/);
    this._rest = lines.pop();
    for (const line of lines) {
      if (line === "") {
        if (this._data.length) yield { kind: this._kind, data: this._data.join("\n"), id: this._id };
        this._forget();
        continue;
      }
      const colon = line.indexOf(":");
      if (colon === 0) continue;
      const field = colon < 0 ? line : line.slice(0, colon);
      const value = colon < 0 ? "" : line.slice(colon + 1).replace(/^ /, "");
      if (field === "data") this._data.push(value);
      else if (field === "event") this._kind = value;
      else if (field === "id") this._id = value;
    }
  }

  _forget() {
    this._data = [];
    this._kind = "message";
    this._id = null;
  }
}

/** Calls `late` when it was not fed for so long. */
class Watch {
  constructor(milliseconds, late) {
    this._milliseconds = milliseconds;
    this._late = late;
    this.feed();
  }

  feed() {
    clearTimeout(this._timer);
    this._timer = setTimeout(this._late, this._milliseconds);
  }

  end() {
    clearTimeout(this._timer);
  }
}

const sleep = (milliseconds) => new Promise((over) => setTimeout(over, milliseconds));
