// The tab of the drill: its notes on their strings, a cursor that runs with the click, a mark on each string change.
// Everything is placed by the server's time, as the click is, so that the two agree.
import { TAB } from "./words.js";

const WIDEST_NOTES = 16;
const MARKS = { cleared: "✓", touched: "✕", "not known": "?" };

// The note of the tab that is due at a time, as a number that runs on between two; negative before the first one, null
// without a tempo. After the last note of a cycle the first one behind the pickup comes.
export function notePosition(block, server_s) {
  if (!block?.tempo_bpm || !block.notes_per_beat || block.starts_server_s === null) return null;
  const { starts, lead, lead_units, cycle_units, before_units } = block.tab;
  const units = ((server_s - block.starts_server_s) * block.tempo_bpm * block.notes_per_beat) / 60 - before_units;
  if (units < starts[0]) return units - starts[0];
  const at = units < lead_units ? units : lead_units + ((units - lead_units) % cycle_units);
  const end = lead_units + cycle_units;
  const note = starts.findLastIndex((start) => start <= at + 1e-9);
  // A rest in front of the cycle belongs to the note before it.
  if (note < lead && units >= lead_units + cycle_units) return starts.length - 1 + (at - lead_units + end - starts.at(-1)) / (starts[lead] + cycle_units - starts.at(-1));
  const next = note + 1 < starts.length ? starts[note + 1] : starts[lead] + cycle_units;
  return note + (at - starts[note]) / (next - starts[note]);
}

// Which notes of a cycle are on the screen: whole lines of at most so many, the one with the place among them.
export function lineOf(count, place) {
  const lines = Math.ceil(count / WIDEST_NOTES);
  const size = Math.ceil(count / lines);
  const first = Math.floor(Math.min(place, count - 1) / size) * size;
  return [first, Math.min(count, first + size)];
}

export class TabView {
  #block = null;
  #coming = null;
  #marks = [];

  constructor(canvas, preferences) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d");
    preferences.listeners.push(() => { this.colours = null; });
    new ResizeObserver(() => this.#fit()).observe(canvas);
  }

  // The block that is shown, and the one that comes next by itself.
  setScene(block, coming) {
    if (block?.number !== this.#block?.number) this.#marks = [];
    this.#block = block;
    this.#coming = coming?.block ?? null;
    this.canvas.setAttribute("aria-label", block?.tab ? `${TAB.name}: ${block.drill}` : TAB.name);
  }

  hear({ block, changes }) {
    if (block === this.#block?.number) this.#marks = changes;
  }

  get any() {
    return Boolean(this.#block?.tab);
  }

  // Draw for a time of the server; what was drawn last stays in `drawn`, for whoever wants to measure.
  draw(server_s) {
    const { pen } = this;
    if (!this.width || !this.any) return;
    this.colours ??= readColours();
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.clearRect(0, 0, this.width, this.height);
    const { tab } = this.#block;
    const position = notePosition(this.#block, server_s);
    const count = tab.strings.length;
    const running = position !== null && position > -1;
    const ended = this.#block.ends_server_s !== null && server_s >= this.#block.ends_server_s;
    const note = running ? Math.max(0, position) : 0;
    const line = lineOf(count, Math.floor(note) % count);
    const second = this.#secondLine(count, line, server_s);
    const half = second ? this.height * 0.58 : this.height;
    this.#setRange(second?.tab);
    this.drawn = { position, server_s, at_ms: performance.now() };
    this.#drawLine({ tab, line, top: 0, height: half, marks: this.#marks, faint: ended });
    if (running && !ended) this.#drawCursor(tab, line, note, half);
    else if (position !== null && !ended) this.#drawCursor(tab, line, 0, half, true);
    if (second) this.#drawLine({ ...second, top: half, height: this.height - half, marks: [], faint: true });
  }

  // Below the line that is played: the next block's first line, or the cycle's next, at the last line of which the next
  // block is shown.
  #secondLine(count, [first, last], server_s) {
    const tab = this.#coming?.tab;
    const whole = last - first === count;
    const soon = this.#block.ends_server_s !== null && server_s > this.#block.ends_server_s - (8 * 60) / (this.#block.tempo_bpm ?? 60);
    if (tab && (whole || soon)) {
      const { posture } = this.#coming;
      return { tab, line: lineOf(tab.strings.length, 0), words: posture ? `${TAB.next} ${posture}` : TAB.after };
    }
    return whole ? null : { tab: this.#block.tab, line: lineOf(count, last % count), words: "" };
  }

  // Only the strings that are played are drawn, so that the figures are large.
  #setRange(other) {
    const used = [...this.#block.tab.strings, ...(other?.strings ?? [])];
    this.top = Math.min(...used);
    this.lines = Math.max(...used) - this.top + 1;
  }

  // Where things stand: strings from top to bottom, notes from left to right, half a note of room at both ends.
  #place([first, last], top, height) {
    const width = this.width / (last - first + 0.8);
    const text = Math.max(13, Math.min(72, 0.55 * width, height / (0.8 * this.lines + 2.2)));
    const above = top + 2 * text;
    const gap = (height - 2.6 * text) / Math.max(1, this.lines - 1);
    return { text, above, gap, width, x: (at) => (at - first + 1.1) * width, y: (string) => above + (string - this.top) * gap };
  }

  #drawLine({ tab, line, top, height, marks, faint, words }) {
    const { pen, colours } = this;
    const [first, last] = line;
    const at = this.#place(line, top, height);
    pen.globalAlpha = faint ? 0.62 : 1;
    pen.strokeStyle = colours.rule;
    pen.lineWidth = 1;
    pen.textBaseline = "middle";
    pen.textAlign = "center";
    for (let string = this.top; string < this.top + this.lines; string += 1) {
      const size = Math.max(11, Math.min(0.5 * at.text, 22));
      this.#path([[1.8 * size, at.y(string)], [this.width, at.y(string)]]);
      pen.fillStyle = colours.soft;
      pen.font = `${size}px ${colours.font}`;
      pen.fillText(String(string), 0.8 * size, at.y(string));
    }
    for (let k = first; k < last; k += 1) {
      const down = tab.strokes[k] === "down";
      const [x, y] = [at.x(k), at.y(tab.strings[k])];
      const next = k + 1 < tab.strings.length ? k + 1 : tab.lead;
      const change = tab.strings[next] !== tab.strings[k] && (tab.loops || next > k);
      this.#note(x, y, at, { fret: tab.frets[k], down, change });
      const mark = marks.findLast?.((each) => each.place === k);
      if (mark) this.#mark(x + 0.5 * at.width, top + 0.65 * at.text, at.text, mark);
    }
    if (words) {
      pen.font = `600 ${Math.max(13, 0.7 * at.text)}px ${colours.font}`;
      pen.textAlign = "left";
      pen.fillStyle = colours.ink;
      pen.fillText(words, 0, top + 0.5 * at.text);
    }
    pen.globalAlpha = 1;
  }

  // A note: its fret, or a dot where the phrase leaves it open; below it the stroke, a wedge that points where it goes.
  #note(x, y, { text }, { fret, down, change }) {
    const { pen, colours } = this;
    const words = fret === null ? "●" : String(fret);
    pen.font = `${change ? 700 : 500} ${text}px ${colours.font}`;
    const wide = pen.measureText(words).width;
    pen.fillStyle = colours.paper;
    pen.fillRect(x - wide / 2 - 2, y - 0.55 * text, wide + 4, 1.1 * text);
    pen.fillStyle = down ? colours.down : colours.up;
    pen.fillText(words, x, y);
    const [tip, foot] = down ? [0.12, 0.42] : [0.42, 0.12];
    pen.beginPath();
    pen.moveTo(x - 0.2 * text, y - (0.55 + foot) * text);
    pen.lineTo(x + 0.2 * text, y - (0.55 + foot) * text);
    pen.lineTo(x, y - (0.55 + tip) * text);
    pen.fill();
  }

  // A change's mark stands between its note and the next. Final: in a full box. Provisional: in an open one.
  #mark(x, y, text, { verdict, final }) {
    const { pen, colours } = this;
    const size = 0.56 * text;
    const colour = { cleared: colours.clear, touched: colours.up, "not known": colours.soft }[verdict];
    pen.lineWidth = 2;
    pen.strokeStyle = colour;
    pen.fillStyle = colour;
    pen.setLineDash(final ? [] : [4, 3]);
    pen.strokeRect(x - size, y - size, 2 * size, 2 * size);
    pen.setLineDash([]);
    if (final) pen.fillRect(x - size, y - size, 2 * size, 2 * size);
    pen.fillStyle = final ? colours.paper : colour;
    pen.font = `700 ${0.9 * text}px ${colours.font}`;
    pen.textAlign = "center";
    pen.fillText(MARKS[verdict], x, y);
  }

  #drawCursor(tab, line, note, height, waiting = false) {
    const { pen, colours } = this;
    const at = this.#place(line, 0, height);
    const count = tab.strings.length;
    const x = at.x(note % count);
    pen.globalAlpha = waiting ? 0.45 : 0.9;
    pen.fillStyle = colours.ink;
    pen.fillRect(x - 2.5, at.above - 0.9 * at.text, 5, (this.lines - 1) * at.gap + 1.4 * at.text);
    pen.globalAlpha = 0.14;
    pen.fillRect(x - 0.5 * at.width, at.above - 0.9 * at.text, at.width, (this.lines - 1) * at.gap + 1.4 * at.text);
    pen.globalAlpha = 1;
  }

  #path(points) {
    this.pen.beginPath();
    points.forEach(([x, y], k) => (k ? this.pen.lineTo(x, y) : this.pen.moveTo(x, y)));
    this.pen.stroke();
  }

  #fit() {
    this.ratio = Math.min(devicePixelRatio || 1, 2);
    const { width, height } = this.canvas.getBoundingClientRect();
    this.width = width;
    this.height = height;
    this.canvas.width = Math.round(width * this.ratio);
    this.canvas.height = Math.round(height * this.ratio);
  }
}

function readColours() {
  const style = getComputedStyle(document.documentElement);
  const names = ["paper", "ink", "soft", "rule", "down", "up", "clear"];
  return { font: style.fontFamily, ...Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()])) };
}
