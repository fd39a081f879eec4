// The phone on the instrument: takes the browser's motion readings and sends them in batches, nothing else.

const BATCH_MS = 250;
const MOST_IN_BATCH = 400;
const MOST_KEPT = 6000;
const SEND_WITHIN_MS = 2000;
const NOTHING_MS = 2500;
const RECENT_MS = 3000;
const byId = (id) => document.getElementById(id);

// Another name for every load of the page: its clock and its count begin anew.
const page = [...crypto.getRandomValues(new Uint8Array(8))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
const WORDS = {
  running: "Sending. Leave the phone as it is.",
  none: "No readings come from this phone. Allow motion for this page in the browser's settings, or try another browser.",
  refused: "The phone did not allow its motion sensor. Allow it in the browser's settings for this page, load it anew and press Start.",
  gyroscope: "This phone tells no turning: it has no gyroscope, or its browser hides it. Another browser may tell.",
  away: "The computer does not answer. Readings are kept for a minute and a half and sent when it is back.",
  token: "This page's address was used already, or is old. Scan the picture on the computer once more.",
};

let waiting = [];
let first = 0;
let sent = 0;
let sending = false;
let recent = [];
let begun = null;
let lock = null;

// The token comes in the address's fragment; it is handed in once, for a cookie, and leaves the address.
const admitted = (async () => {
  const token = new URLSearchParams(location.hash.slice(1)).get("token");
  if (!token) return;
  history.replaceState(null, "", location.pathname);
  await fetch("/token", { method: "POST", body: token }).catch(() => undefined);
})();

function hear(event) {
  const { accelerationIncludingGravity: accel, rotationRate: gyro } = event;
  if (accel?.x == null || gyro?.alpha == null) {
    if (accel?.x != null) warn(WORDS.gyroscope);
    return;
  }
  const now = performance.now();
  // Some browsers stamp events on another clock.
  const taken = Math.abs(now - event.timeStamp) < 1000 ? Math.min(event.timeStamp, now) : now;
  const last = waiting.at(-1)?.[0] ?? -Infinity;
  waiting.push([Math.max(taken, last), accel.x, accel.y, accel.z, gyro.alpha, gyro.beta, gyro.gamma].map(short));
  recent.push(now);
  while (waiting.length > MOST_KEPT) {
    waiting.shift();
    first += 1;
  }
}

function short(value) {
  return Math.round(value * 1e4) / 1e4;
}

async function send() {
  if (sending || waiting.length === 0) return;
  sending = true;
  const readings = waiting.slice(0, MOST_IN_BATCH);
  const body = JSON.stringify({ page, first, sent_ms: short(performance.now()), readings });
  try {
    const answer = await fetch("/readings", { method: "POST", body, signal: AbortSignal.timeout(SEND_WITHIN_MS) });
    if (answer.ok) accepted(await answer.json(), readings.length);
    else warn(answer.status === 403 ? WORDS.token : (await answer.json().catch(() => null))?.sentence ?? WORDS.away);
  } catch {
    warn(WORDS.away);
  } finally {
    sending = false;
  }
}

function accepted({ taken, sentence }, count) {
  const done = Math.min(count, Math.max(0, taken - first));
  waiting = waiting.slice(done);
  first += done;
  sent += done;
  warn(sentence ? sentence[0].toUpperCase() + sentence.slice(1) + "." : "");
}

function warn(words) {
  byId("warning").hidden = !words;
  byId("warning").textContent = words;
}

function show() {
  const now = performance.now();
  recent = recent.filter((at) => now - at < RECENT_MS);
  const span = Math.min(RECENT_MS, now - begun);
  byId("rate").textContent = span > 1000 ? String(Math.round((recent.length * 1000) / span)) : "–";
  byId("sent").textContent = String(sent);
  byId("waiting").textContent = String(waiting.length);
  if (recent.length === 0 && now - begun > NOTHING_MS && byId("warning").hidden) warn(WORDS.none);
}

async function keepAwake() {
  if (document.hidden || lock?.released === false) return;
  try {
    lock = await navigator.wakeLock?.request("screen");
  } catch {
    // Refused, for instance to save the battery: the screen's own settings hold.
  }
}

async function start() {
  await admitted;
  keepAwake();
  // Some phones ask first, and only after a touch.
  const ask = globalThis.DeviceMotionEvent?.requestPermission;
  if (ask && (await ask.call(DeviceMotionEvent).catch(() => "denied")) !== "granted") {
    warn(WORDS.refused);
    return;
  }
  warn("");
  byId("state").textContent = WORDS.running;
  byId("figures").hidden = false;
  document.documentElement.dataset.running = "yes";
  if (begun !== null) return;
  begun = performance.now();
  addEventListener("devicemotion", hear);
  setInterval(send, BATCH_MS);
  setInterval(show, 500);
}

byId("start").addEventListener("click", start);
document.addEventListener("visibilitychange", () => begun !== null && keepAwake());
