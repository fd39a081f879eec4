// The WebSocket, which comes back by itself, and the server's clock.

const WATCH_MS = 500;
const SILENT_LOOKS = 6;
const WAITS_MS = [100, 250, 500, 1000, 2000];

// The token comes in the address's fragment; it is handed in once, for a cookie, and leaves the address.
const admitted = (async () => {
  const token = new URLSearchParams(location.hash.slice(1)).get("token");
  if (!token) return;
  history.replaceState(null, "", location.pathname);
  await fetch("/token", { method: "POST", body: token }).catch(() => undefined);
})();

export class Connection {
  #socket = null;
  #tries = 0;
  #silentLooks = 0;
  #readings = [];
  #pace = 1;

  // hear(message) for every message, link(up) when the connection comes or goes.
  constructor(hear, link) {
    this.hear = hear;
    this.link = link;
    admitted.then(() => this.#open());
    setInterval(() => this.#watch(), WATCH_MS);
    setInterval(() => this.#askTime(), 5000);
    addEventListener("online", () => this.#retryNow());
    document.addEventListener("visibilitychange", () => document.hidden || this.#retryNow());
  }

  get up() {
    return this.#socket?.readyState === WebSocket.OPEN;
  }

  // How many of the server's seconds pass in one of this page's.
  get pace() {
    return this.#pace;
  }

  // Whether the message was sent: nothing is kept for later, a late press would mean something else.
  send(message) {
    if (!this.up) return false;
    this.#socket.send(JSON.stringify(message));
    return true;
  }

  // Milliseconds on performance.now() of a time of the server.
  toLocalMs(server_s) {
    const known = this.#reading();
    return known.local_ms + ((server_s - known.server_s) * 1000) / this.#pace;
  }

  // The server's time now, in seconds.
  now_s() {
    const known = this.#reading();
    return known.server_s + ((performance.now() - known.local_ms) * this.#pace) / 1000;
  }

  #open() {
    clearTimeout(this.retry);
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
    this.#socket = socket;
    this.#silentLooks = 0;
    socket.onopen = () => {
      this.#tries = 0;
      this.#silentLooks = 0;
      // Another run of the program counts its time anew.
      this.#readings = [];
      this.link(true);
      for (let k = 0; k < 5; k += 1) setTimeout(() => this.#askTime(), 60 * k);
    };
    socket.onmessage = (event) => {
      this.#silentLooks = 0;
      const message = JSON.parse(event.data);
      if (message.type === "clock") this.#keepTime(message);
      else this.hear(message);
    };
    socket.onclose = () => {
      if (socket !== this.#socket) return;
      this.link(false);
      const wait = WAITS_MS[Math.min(this.#tries, WAITS_MS.length - 1)];
      this.#tries += 1;
      this.retry = setTimeout(() => this.#open(), wait);
    };
  }

  // A server that has nothing to say is asked the time. Silence is counted in looks, not in seconds: a page that stood
  // still itself has missed nothing.
  #watch() {
    this.#silentLooks += 1;
    if (this.up && this.#silentLooks > SILENT_LOOKS) {
      // A connection that fell asleep does not always close.
      const old = this.#socket;
      this.link(false);
      this.#open();
      old.close();
    }
    if (this.#pace !== 1 || this.#silentLooks > 1) this.#askTime();
  }

  #retryNow() {
    if (this.#socket?.readyState === WebSocket.CLOSED) this.#open();
  }

  #askTime() {
    this.send({ type: "clock", client_ms: performance.now() });
  }

  #keepTime({ client_ms, server_s, pace }) {
    const now = performance.now();
    const reading = { at: now, trip: now - client_ms, local_ms: (client_ms + now) / 2, server_s };
    this.#pace = pace;
    // A clock made quicker waits when the computer is busy, and then no older reading holds.
    const kept = pace === 1 ? this.#readings.filter((each) => now - each.at < 60000) : [];
    this.#readings = [...kept, reading];
  }

  // Of the last minute's readings the one with the shortest way; from the first state until the first of them, its own.
  #reading() {
    if (this.#readings.length === 0) return this.guess ?? { local_ms: 0, server_s: 0 };
    return this.#readings.reduce((best, each) => (each.trip < best.trip ? each : best));
  }

  guessTime(server_s) {
    this.guess = { local_ms: performance.now(), server_s };
  }
}
