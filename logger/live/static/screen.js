// A state of the session on the screen: which parts show, and what they say.
import { OWN_CONTROLS, pedalCommand, shownKey } from "./keys.js";
import { clock, degrees, setText, share } from "./play_figures.js";
import {
  FIELDS, HANDED, HURT_LABEL, INSTRUMENT, METERS, OPEN_REPORT, PHONE, READ_BACK, READ_ON, SENSOR, TRUER, WANTED, WEAKEST,
  takenOut,
} from "./words.js";

const PICTURES = { setup: "end", gestures: "gesture", ready: "end", count_in: "end", play: "end", rest: "end" };
const byId = (id) => document.getElementById(id);

export class Screen {
  // act(command) is called for buttons, choose(field, value) for choices.
  constructor(act, choose, reportView) {
    this.act = act;
    this.choose = choose;
    this.reportView = reportView;
    this.buttons = new Map();
    this.#fillRating();
    // A button that was clicked with the mouse must not catch the pedal's next space.
    document.addEventListener("click", (event) => event.detail > 0 && event.target.closest?.("button")?.blur());
  }

  show(state) {
    const stage = byId("stage");
    stage.dataset.step = state.step;
    stage.dataset.picture = pictureOf(state);
    // Steps with more to read than to look at.
    stage.dataset.reading = String(state.step === "setup" || (state.step === "rest" && state.rest?.kind !== "switch") || (state.step === "ready" && Boolean(state.verdict)));
    stage.dataset.phase = state.gesture?.phase ?? "";
    setText(byId("title"), state.title);
    setText(byId("hint"), hintWords(state));
    setText(byId("where"), whereWords(state));
    document.title = `${state.title} – strokeplane`;
    this.#showSensor(state.sensor);
    this.#showInstrument(state.instrument);
    this.#showPhone(state);
    this.#showChoices(state);
    this.#showGesture(state);
    this.#showComing(state);
    this.#showVerdict(state);
    this.#showRating(state.rating);
    this.#showHurt(state);
    this.#showReport(state);
    this.showCommands(state);
    const switching = state.rest?.kind === "switch";
    stage.dataset.switching = String(switching);
    const measured = state.sensor.status !== "none";
    stage.dataset.measured = String(measured);
    byId("figures").hidden = !measured || (state.step !== "play" && !switching);
    byId("tab-view").hidden = !state.block?.tab || !(["ready", "count_in", "play"].includes(state.step) || switching);
    stage.dataset.tab = String(!byId("tab-view").hidden);
    byId("notes-figure").hidden = !state.block?.tab;
    setText(byId("spoken"), spokenWords(state));
  }

  showQuality(live) {
    byId("quality").dataset.good = String(live.good);
    setText(byId("quality-sentence").querySelector(".mark"), { true: "✓", false: "✕" }[live.good] ?? "○");
    setText(byId("quality-sentence").querySelector(".text"), live.sentence);
    const meters = qualityMeters(live);
    const list = byId("meters");
    while (list.children.length > meters.length) list.lastChild.remove();
    while (list.children.length < meters.length) list.append(makeMeter());
    meters.forEach((meter, k) => fillMeter(list.children[k], meter));
  }

  #showSensor({ status, name, part, rate_hz, battery_pct }) {
    const [mark, words] = SENSOR[status];
    byId("sensor-line").dataset.status = status;
    setText(byId("sensor-mark"), mark);
    const facts = [part || name, rate_hz && `${Math.round(rate_hz)} a second`, battery_pct !== null && `battery ${Math.round(battery_pct)} %`];
    setText(byId("sensor-words"), words);
    setText(byId("sensor-facts"), status === "ok" ? facts.filter(Boolean).map((fact) => `, ${fact}`).join("") : "");
  }

  #showInstrument(instrument) {
    byId("instrument-line").hidden = !instrument;
    if (!instrument) return;
    const { status, rate_hz, taken_out_deg: roll } = instrument;
    const [mark, words] = INSTRUMENT[status] ?? INSTRUMENT.connecting;
    byId("instrument-line").dataset.status = status;
    setText(byId("instrument-mark"), mark);
    const facts = status !== "ok" ? [] : [rate_hz && `${Math.round(rate_hz)} a second`, roll !== null && takenOut(roll)];
    setText(byId("instrument-words"), [words, ...facts.filter(Boolean)].join(", "));
  }

  // The picture for the phone's camera, while player and instrument are chosen and before blocks, until it sends.
  #showPhone(state) {
    if (pictureOf(state) !== "phone") return;
    const picture = byId("phone-picture");
    if (!picture.getAttribute("src")) picture.src = "/phone.svg";
    setText(byId("phone-state"), state.instrument?.sentence ?? "");
    setText(byId("phone-words"), PHONE.waiting);
    setText(byId("phone-warning"), PHONE.warning);
  }

  #showChoices(state) {
    const { setup } = state;
    const free = setup.planned ? [] : ["posture", "wanted", "tempo_bpm", "notes_per_beat"];
    const fields = state.step === "setup" ? ["player", "handed", "instrument", ...(setup.truer ? ["truer"] : []), ...(setup.truer === "yes" ? ["heights_mm"] : []), ...free] : [];
    if (state.step === "ready") fields.push(...free);
    const form = byId("choices");
    form.hidden = fields.length === 0;
    const wanted = fields.map((field) => [field, optionsOf(field, setup)]);
    const shape = JSON.stringify(wanted);
    if (shape !== this.choicesShape) {
      this.choicesShape = shape;
      form.replaceChildren(...wanted.map(([field, options]) => this.#makeChoice(field, options)));
    }
    for (const field of fields) {
      const control = byId(`choose-${field}`);
      if (control !== document.activeElement) control.value = setup[field] ?? "";
    }
  }

  #makeChoice(field, options) {
    const row = document.createElement("p");
    const label = document.createElement("label");
    label.htmlFor = `choose-${field}`;
    label.textContent = FIELDS[field];
    let control;
    if (options) {
      control = document.createElement("select");
      control.append(...options.map(({ value, label: words }) => new Option(words, value)));
    } else {
      control = document.createElement("input");
      control.type = "text";
      control.inputMode = field === "heights_mm" ? "text" : "decimal";
    }
    control.id = label.htmlFor;
    control.addEventListener("change", () => this.choose(field, control.value));
    row.append(label, control);
    return row;
  }

  #showGesture({ step, gesture }) {
    const section = byId("quality");
    const phase = gesture?.phase;
    section.hidden = step !== "gestures" || !gesture || phase === "lead" || (phase === "prepare" && !gesture.last);
    if (section.hidden) this.shownGesture = null;
    // While it runs and is judged its own messages tell how it goes.
    else if (phase === "prepare") this.showQuality({ good: gesture.last.good, sentence: `The one before: ${lowerFirst(gesture.last.sentence)}` });
    else if (phase === "poor" && gesture.last) this.showQuality(gesture.last);
    else if (this.shownGesture !== gesture.starts_server_s) this.showQuality({ good: null, sentence: "" });
    if (phase === "running") this.shownGesture = gesture.starts_server_s;
  }

  #showComing({ step, block, plan, hint, rest }) {
    const soon = step === "ready" || step === "count_in";
    const next = step === "rest" && rest?.kind !== "switch" && plan?.next_words ? `Next: ${plan.next_words}` : "";
    const wanted = soon && block?.wanted ? `The ${block.wanted}stroke should clear the strings.` : "";
    const drill = soon && block?.drill && !block.tab ? block.drill : "";
    const note = soon && block?.note && block.note !== hint ? block.note : "";
    byId("coming").hidden = !(next || wanted || drill || note);
    setText(byId("coming-words"), next || wanted);
    setText(byId("coming-drill"), drill);
    setText(byId("coming-note"), note);
  }

  #showVerdict({ step, verdict, rating, plan, rest }) {
    const section = byId("verdict");
    section.hidden = !["rest", "ready"].includes(step) || rest?.kind === "switch" || !verdict;
    if (section.hidden) return;
    section.dataset.small = String(Boolean(rating) || (step === "ready" && !plan));
    setText(byId("verdict-sentence"), verdict.sentence);
    section.dataset.long = String(verdict.sentence.length > 90);
    const rows = [["strokes", String(verdict.strokes)]];
    if (verdict.held_share !== null) rows.unshift(["on target", share(verdict.held_share)]);
    if (verdict.tilt_mean_deg !== null) rows.push(["tilt", tiltWords(verdict)]);
    if (verdict.strokes_per_s !== null) rows.push(["strokes a second", verdict.strokes_per_s.toFixed(1)]);
    fillList(byId("verdict-numbers"), rows.map(([name, value]) => makePair(name, value)));
    fillList(byId("changes").tBodies[0], verdict.changes.map(makeChange));
    byId("changes").dataset.many = String(verdict.changes.length > 8);
    fillList(byId("verdict-more"), verdict.more.map((words) => makeItem("li", words)));
  }

  #fillRating() {
    for (let value = 0; value <= 10; value += 1) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = String(value);
      if (value === 10) button.append(" ", makeItem("kbd", "X"));
      button.addEventListener("click", () => this.act({ command: "rate", value }));
      byId("rating-keys").append(button);
    }
  }

  #showRating(rating) {
    byId("rating").hidden = !rating;
    if (!rating) return;
    setText(byId("rating-question"), rating.question);
    setText(byId("rating-low"), rating.low);
    setText(byId("rating-high"), rating.high);
    [...byId("rating-keys").children].forEach((button, value) => button.setAttribute("aria-pressed", String(value === rating.counted)));
  }

  #showHurt({ step, hurt }) {
    byId("hurt").hidden = step !== "hurt";
    fillList(byId("hurt"), hurt.map((words) => makeItem("p", words)));
  }

  #showReport({ step, report, hint }) {
    byId("report").hidden = step !== "done" || !report;
    if (byId("report").hidden) this.closeReport();
    if (!report) return;
    setText(byId("report-sentence"), [report.sentence !== hint && report.sentence, report.file && `Saved as ${report.file}.`].filter(Boolean).join(" "));
    byId("report-ways").hidden = report.url === null;
    if (report.url !== null) byId("report-link").setAttribute("href", report.url);
    fillList(byId("cautions"), report.cautions.map((words) => makeItem("li", words)));
    const { plan } = report;
    byId("tomorrow").hidden = !plan;
    if (!plan) return;
    setText(byId("tomorrow-sentence"), plan.sentence);
    fillList(byId("tomorrow-reasons"), plan.reasons.map((words) => makeItem("li", words)));
    setText(byId("tomorrow-saved"), plan.saved);
  }

  // The report stays on the page: the pedal's next press is still the session's, and what was loaded outlives the program.
  openReport(state) {
    this.reportView.show(state.report.url);
    byId("stage").dataset.report = "open";
    this.showCommands(state);
  }

  closeReport() {
    this.reportView.hide();
    byId("stage").dataset.report = "";
  }

  // One button for each command that has a meaning now; they stay the same elements, so that focus stays.
  showCommands({ keys, step, report }) {
    // Ratings and choices have controls of their own.
    let offered = keys.filter(({ command }) => !OWN_CONTROLS.includes(command)).map(({ command, label }) => [command, label]);
    if (step === "done" && report?.url) offered = this.#reportCommands(offered);
    if (!["done", "finishing", "hurt"].includes(step) && !offered.some(([command]) => command === "hurt")) {
      offered.push(["hurt", HURT_LABEL]);
    }
    const place = byId("commands");
    for (const [command, button] of this.buttons) button.hidden = !offered.some(([name]) => name === command);
    offered.forEach(([command, label], k) => {
      const button = this.buttons.get(command) ?? this.#makeButton(command);
      setText(button.querySelector("span"), label);
      const pedal = k === 0 && (command === pedalCommand(keys) || step === "done");
      setText(button.querySelector("kbd"), shownKey(pedal ? "next" : command));
      button.dataset.first = String(pedal);
      if (place.children[k] !== button) place.insertBefore(button, place.children[k] ?? null);
    });
  }

  // The pedal first opens the report and reads it to its end; what the session offered for it is on the key that ends.
  #reportCommands(offered) {
    const close = offered.filter(([command]) => command === "next").map(([, label]) => label);
    const others = offered.filter(([command]) => command !== "next");
    if (!this.reportView.open) return [["next", OPEN_REPORT], ...others, ...close.map((label) => ["finish", label])];
    const back = ["again", READ_BACK];
    if (this.reportView.atEnd && close.length > 0) return [["next", close[0]], back];
    return [["next", READ_ON], back, ...close.map((label) => ["finish", label])];
  }

  #makeButton(command) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.command = command;
    button.append(makeItem("kbd", shownKey(command)), " ", document.createElement("span"));
    button.addEventListener("click", () => this.act({ command }));
    this.buttons.set(command, button);
    byId("commands").append(button);
    return button;
  }
}

// What stands beside the words. After a drill the table of its string changes takes the end view's place.
function pictureOf({ step, gesture, verdict, rating, plan, rest, sensor, phone, instrument }) {
  if (sensor.status === "none") return "none";
  if (phone && instrument?.status !== "ok" && (step === "setup" || (step === "ready" && !verdict))) return "phone";
  if (step === "gestures" && !gesture) return "none";
  if (rest?.kind === "switch") return "end";
  const over = step === "rest" || (step === "ready" && plan);
  return over && verdict?.changes.length && !rating ? "changes" : (PICTURES[step] ?? "none");
}

function whereWords({ step, gesture, plan, block }) {
  if (step === "gestures" && gesture) {
    return `Gesture ${gesture.number} of ${gesture.count}${gesture.posture ? `, posture ${gesture.posture}` : ""}`;
  }
  if (!["ready", "count_in", "play", "rest"].includes(step)) return "";
  const at = plan ? `Block ${Math.min(plan.position + 1, plan.count)} of ${plan.count}` : block ? `Block ${block.number}` : "";
  if (step === "play" && block) {
    return [at, block.posture && `posture ${block.posture}`, block.tempo_bpm && `${block.tempo_bpm} BPM`].filter(Boolean).join(", ");
  }
  return plan ? `${at}, ${clock(plan.left_s)} to go` : at;
}

// A gesture's own words; after a poor one its verdict says what to do, once. So do the words after pain.
function hintWords({ gesture, hint, hurt }) {
  if (hurt.includes(hint)) return "";
  if (!gesture) return hint;
  if (gesture.phase !== "poor") return gesture.prompt;
  return gesture.last?.sentence === hint ? "" : hint;
}

function lowerFirst(words) {
  return words.charAt(0).toLowerCase() + words.slice(1);
}

function tiltWords({ tilt_mean_deg, tilt_ci95_deg, against_hand }) {
  const interval = tilt_ci95_deg ? ` (${degrees(tilt_ci95_deg[0])} to ${degrees(tilt_ci95_deg[1])})` : "";
  return `${degrees(tilt_mean_deg)}${interval}${against_hand ? ", against the hand" : ""}`;
}

function spokenWords({ title, hint, gesture, verdict, rating, step }) {
  const more = step === "rest" ? [rating?.question, verdict?.sentence] : [gesture?.prompt ?? hint];
  return [...new Set([title, ...more])].filter(Boolean).join(". ");
}

function optionsOf(field, setup) {
  const named = (table) => Object.entries(table).map(([value, label]) => ({ value, label }));
  const lists = { player: setup.players, instrument: setup.instruments, posture: setup.postures, handed: named(HANDED), truer: named(TRUER), wanted: named(WANTED) };
  return lists[field] ?? null;
}

// What there is to show of a gesture: name, share of what is enough, and words.
function qualityMeters(live) {
  const meters = [];
  const add = (name, value, words) => value !== null && value !== undefined && meters.push({ name, value: Math.max(0, Math.min(1, value)), words });
  const wanted = Math.round(live.cycles_wanted ?? 0);
  // More than enough is no better: the count stops there.
  if (wanted) add(METERS.cycles, (live.cycles ?? 0) / wanted, `${Math.min(wanted, Math.floor(live.cycles ?? 0))} of ${wanted}`);
  add(METERS.straightness, live.straightness, live.straightness === null ? "" : `${Math.round(100 * live.straightness)} %`);
  if (live.speed_words) meters.push({ name: METERS.speed, value: null, words: live.speed_words });
  (live.coverage ?? []).forEach((value, k) => add(METERS.coverage[k], value, value >= 1 ? "enough" : `${Math.round(100 * value)} %`));
  add(METERS.stillness, live.stillness, live.stillness >= 0.5 ? "still enough" : "too much movement");
  return meters;
}

function makeMeter() {
  const item = document.createElement("li");
  item.append(makeItem("span", ""), document.createElement("progress"), makeItem("b", ""));
  return item;
}

function fillMeter(item, { name, value, words }) {
  const [caption, bar, text] = item.children;
  setText(caption, name);
  setText(text, words);
  bar.hidden = value === null;
  bar.max = 1;
  bar.value = value ?? 0;
  bar.setAttribute("aria-label", name);
}

function makeItem(tag, words) {
  const element = document.createElement(tag);
  element.textContent = words;
  return element;
}

function makePair(name, value) {
  const pair = document.createElement("div");
  pair.append(makeItem("dt", name), makeItem("dd", value));
  return pair;
}

// A row of the drill's table. The weakest change is named by a word beside its mark.
function makeChange({ from_string, to_string, after, cleared, touched, not_known, weakest }) {
  const row = document.createElement("tr");
  row.dataset.weakest = String(weakest);
  const head = makeItem("th", `${from_string} → ${to_string}`);
  head.scope = "row";
  row.append(head, ...[`${after}stroke`, cleared, touched, not_known].map((words) => makeItem("td", String(words))));
  if (weakest) head.append(" ", makeItem("small", WEAKEST));
  return row;
}

// Exchange a list's items only where they changed, so that no screen reader reads them twice.
function fillList(list, items) {
  const same = list.children.length === items.length && items.every((item, k) => item.isEqualNode(list.children[k]));
  if (!same) list.replaceChildren(...items);
}
