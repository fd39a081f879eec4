// The page of the guided session: hears the server, shows its state, sends what the player wants.
import { Connection } from "./connection.js";
import { EndView } from "./end_view.js";
import { GesturePicture } from "./gesture_picture.js";
import { listenForKeys, pedalCommand } from "./keys.js";
import { NO_STROKES, clock, setText, showFigures } from "./play_figures.js";
import { Microphone } from "./microphone.js";
import { Preferences } from "./preferences.js";
import { ReportView } from "./report_view.js";
import { Screen } from "./screen.js";
import { Sound } from "./sound.js";
import { TabView } from "./tab_view.js";
import { CLOSED, END_TWICE, KEYS, LOST, MICROPHONE, OFFLINE, SOUND_LOCKED, TAB } from "./words.js";

const REFUSED_MS = 6000;
const TWICE_MS = 4000;
const BOUNCE_MS = 1500;
const byId = (id) => document.getElementById(id);

let state = null;
let strokes = NO_STROKES;
let askedToEnd = -Infinity;
let openedReport = -Infinity;

const preferences = new Preferences();
const endView = new EndView(byId("end-view"), preferences);
const tabView = new TabView(byId("tab-view"), preferences);
const gesturePicture = new GesturePicture(byId("gesture-picture"), preferences);
const reportView = new ReportView(byId("report-frame"), () => state && screen.showCommands(state), (told) => pressed(told));
const screen = new Screen(act, (field, value) => send({ type: "choose", field, value }), reportView);
const connection = new Connection(hear, showLink);
const sound = new Sound(connection, preferences);
const microphone = new Microphone(connection, showMicrophone);

function hear(message) {
  if (message.type === "state") showState(message);
  else if (message.type === "strokes") hearStrokes(message);
  else if (message.type === "notes") hearNotes(message);
  else if (message.type === "trace") endView.addTrace(message.points_mm);
  else if (message.type === "gesture") screen.showQuality(message);
  else if (message.type === "pulse") showPulse(message);
  else if (message.type === "refused") showRefused(message.sentence);
}

function showState(next) {
  const was = state;
  state = next;
  connection.guessTime(next.server_s);
  const begins = next.step === "ready" || next.step === "count_in" || (next.step === "play" && was?.step !== "count_in");
  // Over a switch the last strokes stay on the screen, until the next block's first ones come.
  if (begins && was && was.step !== next.step && was.rest?.kind !== "switch" && was.step !== "count_in") resetPlay();
  if (next.block?.number !== was?.block?.number) setText(byId("notes"), "–");
  screen.show(next);
  endView.setScene(next.setup, next.block, next.step);
  tabView.setScene(next.block, next.coming);
  const kind = next.gesture ? pictureKind(next.gesture) : "";
  if (kind !== gesturePicture.kind) gesturePicture.show(kind);
  byId("microphone").hidden = next.microphone === null || next.step === "done";
  microphone.setState(next.microphone);
  sound.setClick(next.click, next.coming?.click ?? null);
  if (next.step !== "play") sound.endPlay();
  showFigures(strokes, next, endView);
  setBanner("notice", noticeWords(next));
  const missing = ["lost", "failed"].includes(next.sensor.status) ? next.sensor.sentence || LOST : "";
  setBanner("lost", missing === next.hint ? "" : missing);
  if (was && was.step_number !== next.step_number) setBanner("refused", "");
  showTime();
  if (!document.documentElement.dataset.ready) {
    document.documentElement.dataset.ready = "yes";
    performance.mark("interactive");
  }
}

function pictureKind({ kind, off_hand, label }) {
  if (label.startsWith("soundboard")) return `still ${label}`;
  return off_hand ? `${kind} off` : kind;
}

// A break that is due is not held against the player in the middle of a block, nor said twice, nor when all is over.
function noticeWords({ notice, break_due, hint, step, instrument }) {
  const due = ["count_in", "play", "finishing", "done"].includes(step) || break_due === hint ? "" : break_due;
  // A second sensor that has not come yet is told where it is offered.
  const second = instrument && instrument.status !== "connecting" ? instrument.sentence : "";
  return [notice, due, second].filter(Boolean).join(" ");
}

function resetPlay() {
  strokes = NO_STROKES;
  endView.clear();
}

function hearStrokes(message) {
  if (!state) return;
  strokes = message;
  endView.hear(message);
  showFigures(message, state, endView);
  sound.hearStrokes(message);
}

function hearNotes(message) {
  tabView.hear(message);
  setText(byId("notes"), `${message.missing}, ${message.added}`);
}

// The next posture, told a bar ahead, and through the rest before it.
function showAnnouncement() {
  const { coming, step } = state;
  const due = coming && coming.announce_server_s !== null && connection.now_s() >= coming.announce_server_s;
  const words = due && ["play", "rest", "count_in"].includes(step) && coming.block.posture ? `${TAB.next} ${coming.block.posture}` : "";
  if (words && byId("announce").hidden) setText(byId("spoken"), words);
  setText(byId("announce"), words);
  byId("announce").hidden = !words;
  byId("time-words").hidden = Boolean(words);
}

function showPulse({ recorded_s, lost_samples }) {
  setText(byId("recorded"), recorded_s > 0 ? `${clock(recorded_s)} recorded` : "");
  setText(byId("losses"), lost_samples ? String(lost_samples) : "none");
  byId("losses-figure").dataset.none = String(!lost_samples);
}

function showRefused(sentence) {
  setBanner("refused", sentence);
  clearTimeout(showRefused.timer);
  showRefused.timer = setTimeout(() => setBanner("refused", ""), REFUSED_MS);
}

// The microphone's button, its level in decibels below the loudest that there is, and what is to be said of it.
function showMicrophone({ able, on, level, words }) {
  setText(byId("microphone-button"), on ? MICROPHONE.turnOff : MICROPHONE.turnOn);
  byId("microphone-button").disabled = !able;
  byId("microphone-level").value = Math.max(-60, 20 * Math.log10(level || 1e-3));
  byId("microphone-level").hidden = !on;
  byId("microphone-line").hidden = !on;
  setText(byId("microphone-words"), words);
}

function showLink(up) {
  document.documentElement.dataset.link = up ? "up" : "down";
  clearTimeout(showLink.timer);
  if (up) setBanner("offline", "");
  else showLink.timer = setTimeout(() => setBanner("offline", state?.step === "done" ? CLOSED : OFFLINE), 300);
}

function setBanner(id, words) {
  const banner = byId(id);
  setText(banner, words);
  banner.hidden = !words;
}

function send(message) {
  if (state) connection.send({ ...message, seen: state.step_number });
}

function act({ command, value }) {
  sound.unlock();
  if (command === "options") return toggleOptions();
  if (command === "mute") return preferences.toggle("click", "on", "off");
  if (command === "cue") return preferences.toggle("cue", "0", "4");
  if (!state) return undefined;
  if (command === "hurt") return send({ type: "hurt" });
  if (command === "rate") return state.rating ? send({ type: "rate", value }) : undefined;
  const done = state.step === "done" && Boolean(state.report?.url);
  if (done && reportView.open && command === "next" && !reportView.atEnd) return readOn();
  if (done && reportView.open && command === "again") return readBack();
  if (done && !connection.up) return undefined;
  if (command === "next" && done && !reportView.open) {
    openedReport = performance.now();
    return screen.openReport(state);
  }
  // A pedal that bounces must not close what it has just opened.
  if (command === "next" && done && performance.now() - openedReport < BOUNCE_MS) return undefined;
  const wanted = command === "next" ? pedalCommand(state.keys) : done && command === "finish" ? "next" : command;
  if (!state.keys.some((key) => key.command === wanted)) return undefined;
  if (command === "finish" && performance.now() - askedToEnd > TWICE_MS) {
    // One slip of the hand must not end an evening.
    askedToEnd = performance.now();
    return showRefused(done ? END_TWICE.program : END_TWICE.session);
  }
  return send({ type: wanted });
}

// What reads on quickly must not close when it comes to the end.
function readOn() {
  openedReport = performance.now();
  return reportView.turn(1);
}

// From its beginning back to where it was opened from.
function readBack() {
  if (!reportView.atBegin) return reportView.turn(-1);
  screen.closeReport();
  return screen.showCommands(state);
}

function toggleOptions() {
  const dialog = byId("options");
  if (dialog.open) dialog.close();
  else dialog.showModal();
}

// The stretch of time that runs now, [start_s, end_s, words before the time left], or null; one end may be open.
function runningTime() {
  const { step, gesture, block, rest } = state;
  if (step === "gestures" && gesture?.phase === "running") return [gesture.starts_server_s, gesture.ends_server_s, ""];
  if (step === "play" && block?.starts_server_s != null) return [block.starts_server_s, block.ends_server_s, ""];
  if (step === "rest" && rest && rest.kind !== "open") return restTime(rest);
  return null;
}

function restTime({ kind, seconds, ends_server_s, held, left_s }) {
  const name = kind === "break" ? "Break" : "Rest";
  const end = held || ends_server_s === null ? connection.now_s() + (left_s ?? 0) : ends_server_s;
  return [end - seconds, end, held ? `${name}, held` : name];
}

function showTime() {
  if (!state) return;
  showCount();
  showAnnouncement();
  const span = runningTime();
  byId("time").hidden = span === null;
  if (span === null) return;
  const [start, end, words] = span;
  const now = connection.now_s();
  const measured = start !== null && end !== null;
  byId("time-bar").hidden = !measured;
  byId("time-bar").value = !measured ? 0 : Math.max(0, Math.min(1, (now - start) / (end - start)));
  const left = end === null ? `${clock(now - start)} played` : `${clock(end - now)} left`;
  setText(byId("time-words"), words ? `${words}: ${left}` : left);
}

// The large number: beats of the count-in counted up, seconds to a start counted down.
function showCount() {
  const { step, gesture, click, block } = state;
  let words = "";
  const now = connection.now_s();
  if (step === "count_in" && click?.count_in_beats) {
    const beat = Math.floor(((now - click.start_server_s) * click.tempo_bpm) / 60 + 0.02);
    words = beat < 0 ? "…" : String((Math.min(beat, click.count_in_beats - 1) % click.beats_per_bar) + 1);
  } else if (step === "count_in" && block?.starts_server_s != null) {
    words = String(Math.max(1, Math.ceil(block.starts_server_s - now)));
  } else if (step === "gestures" && gesture?.phase === "lead" && gesture.starts_server_s !== null) {
    words = String(Math.max(1, Math.ceil(gesture.starts_server_s - now)));
  }
  setText(byId("count"), words);
  byId("count").hidden = !words;
}

function drawFrame(now_ms) {
  requestAnimationFrame(drawFrame);
  const picture = byId("stage").dataset.picture;
  if (picture === "end") endView.draw();
  if (!byId("tab-view").hidden) tabView.draw(connection.now_s());
  if (picture !== "gesture" || !state?.gesture) return;
  const { phase, starts_server_s: start, ends_server_s: end } = state.gesture;
  const progress = phase === "running" && end > start ? (connection.now_s() - start) / (end - start) : null;
  gesturePicture.draw(now_ms / 1000, progress);
}

function fillKeyTable() {
  for (const { names, help } of KEYS) {
    const row = byId("key-table").tBodies[0].insertRow();
    const head = document.createElement("th");
    head.scope = "row";
    head.textContent = names;
    row.append(head);
    row.insertCell().textContent = help;
  }
}

function watchSound() {
  const wanted = preferences.values.click === "on" && Boolean(state?.click);
  if (wanted && !sound.running && byId("refused").hidden) showRefused(SOUND_LOCKED);
}

// A player at the instrument touches nothing for minutes: the screen must stay on, where the browser can see to it.
async function keepAwake() {
  if (document.hidden || keepAwake.lock?.released === false) return;
  try {
    keepAwake.lock = await navigator.wakeLock?.request("screen");
  } catch {
    // Refused, for instance to save the battery: the screen's own settings hold.
  }
}

fillKeyTable();
preferences.fill(byId("preferences"));
byId("open-options").addEventListener("click", toggleOptions);
byId("close-options").addEventListener("click", () => byId("options").close());
byId("microphone-button").addEventListener("click", () => microphone.toggle());
byId("choices").addEventListener("submit", (event) => event.preventDefault());
byId("preferences").addEventListener("submit", (event) => event.preventDefault());
document.addEventListener("keydown", () => sound.unlock(), true);
document.addEventListener("pointerdown", () => sound.unlock(), true);
document.addEventListener("visibilitychange", keepAwake);
keepAwake();
const pressed = listenForKeys(act);
setInterval(showTime, 100);
setInterval(watchSound, 1000);
requestAnimationFrame(drawFrame);
