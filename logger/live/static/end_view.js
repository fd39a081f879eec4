// The end view: the strings seen along their length, the target, the last strokes, the tilt of now.
// Millimetres about the place where the plectrum meets the string; y to the right, z up.
import { END_VIEW } from "./words.js";

const KEPT_STROKES = 12;
const TRACE_MS = 400;
const RADIANS = Math.PI / 180;

export class EndView {
  #strokes = new Map();
  #trace = [];
  #half_mm = 0;
  #dirty = true;

  constructor(canvas, preferences) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d");
    this.geometry = null;
    this.target_deg = null;
    this.wanted = null;
    this.tilt_deg = null;
    preferences.listeners.push(() => { this.colours = null; this.touch(); });
    new ResizeObserver(() => this.#fit()).observe(canvas);
  }

  touch() {
    this.#dirty = true;
  }

  // The instrument and the target of a state.
  setScene(setup, block, step) {
    const target_deg = block?.target_deg ?? null;
    // All strings with the soundboard below them, while their heights above it are asked for.
    const heights = step === "setup" && setup.truer === "yes";
    const scene = JSON.stringify([setup.courses_mm, setup.spacing_mm, setup.plectrum_depth_mm, setup.dead_band_deg, target_deg, heights]);
    if (scene === this.scene) return;
    this.scene = scene;
    this.geometry = setup;
    this.target_deg = target_deg;
    this.heights = heights;
    const { courses_mm: places } = setup;
    this.#half_mm = heights ? 0.8 * (places[places.length - 1] - places[0]) : 1.75 * setup.spacing_mm;
    this.touch();
  }

  hear({ first, strokes, withdrawn, tilt_now_deg }) {
    if (first) this.clear();
    for (const id of withdrawn) this.#strokes.delete(id);
    for (const stroke of strokes) this.#strokes.set(stroke.id, stroke);
    const ids = [...this.#strokes.keys()].sort((a, b) => a - b);
    ids.slice(0, -KEPT_STROKES).forEach((id) => this.#strokes.delete(id));
    this.tilt_deg = tilt_now_deg;
    const reach = Math.max(0, ...strokes.map((stroke) => 0.62 * stroke.span_mm));
    this.#half_mm = Math.max(this.#half_mm, Math.min(reach, 4 * this.geometry.spacing_mm));
    this.touch();
  }

  // Whether most of a direction's last strokes cleared the strings; null where there are none.
  clears(direction) {
    const own = [...this.#strokes.values()].filter((stroke) => stroke.direction === direction);
    return own.length ? own.filter((stroke) => stroke.clears).length * 2 > own.length : null;
  }

  addTrace(points_mm) {
    const now = performance.now();
    this.#trace.push(...points_mm.map((point) => ({ point, at: now })));
    this.touch();
  }

  clear() {
    this.#strokes.clear();
    this.#trace = [];
    this.tilt_deg = null;
    this.touch();
  }

  // Draw if anything changed; true if it did.
  draw() {
    const old = performance.now() - TRACE_MS;
    if (this.#trace.length) {
      // The trace fades, frame by frame.
      this.#trace = this.#trace.filter(({ at }) => at >= old);
      this.#dirty = true;
    }
    if (!this.#dirty || !this.geometry || !this.width) return false;
    this.#dirty = false;
    this.colours ??= readColours();
    const { pen } = this;
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.clearRect(0, 0, this.width, this.height);
    this.unit = this.width / 2 / this.#half_mm;
    this.centre = [this.width / 2, this.height * 0.56];
    this.text = Math.max(14, Math.min(46, this.width / 26, this.height / 9));
    pen.font = `${this.text}px ${this.colours.font}`;
    pen.lineCap = "round";
    pen.lineJoin = "round";
    if (!this.heights) this.#drawBands();
    this.#drawStrings();
    this.#drawStrokes();
    this.#drawTrace();
    this.#drawTilt();
    return true;
  }

  #fit() {
    this.ratio = Math.min(devicePixelRatio || 1, 2);
    const { width, height } = this.canvas.getBoundingClientRect();
    this.width = width;
    this.height = height;
    this.canvas.width = Math.round(width * this.ratio);
    this.canvas.height = Math.round(height * this.ratio);
    this.touch();
    this.draw();
  }

  #at([y_mm, z_mm]) {
    return [this.centre[0] + y_mm * this.unit, this.centre[1] - z_mm * this.unit];
  }

  // The dead band to both sides, hatched flat; the target on the side where the stroke leaves the strings.
  #drawBands() {
    const { pen, colours } = this;
    const far = this.width + this.height;
    const dead = this.geometry.dead_band_deg;
    for (const side of [0, 180]) this.#wedge(side - dead, side + dead, far, colours.rule, "level");
    if (!this.target_deg) return;
    const [least, most] = this.target_deg;
    // A negative tilt leaves the strings at the end of the upstroke, to the left.
    const [from, to] = most > 0 ? [least, most] : [180 + least, 180 + most];
    this.#wedge(from, to, far, most > 0 ? colours.down : colours.up, "rising");
    const middle = ((from + to) / 2) * RADIANS;
    const reach = Math.min(this.width * 0.36, (0.8 * this.centre[1]) / Math.max(0.3, Math.sin(middle)));
    const steep = middle + (most > 0 ? 1 : -1) * Math.min(0.12, ((to - from) / 5) * RADIANS);
    this.#label(END_VIEW.wanted, this.centre[0] + reach * Math.cos(steep), this.centre[1] - reach * Math.sin(steep), "center");
    pen.globalAlpha = 1;
  }

  #wedge(from_deg, to_deg, far, colour, hatch) {
    const { pen } = this;
    const [x, y] = this.centre;
    pen.save();
    pen.beginPath();
    pen.moveTo(x, y);
    pen.arc(x, y, far, -to_deg * RADIANS, -from_deg * RADIANS);
    pen.closePath();
    pen.clip();
    pen.globalAlpha = 0.16;
    pen.fillStyle = colour;
    pen.fillRect(0, 0, this.width, this.height);
    pen.globalAlpha = 0.55;
    pen.strokeStyle = colour;
    pen.lineWidth = 1;
    pen.beginPath();
    const [dx, dy] = hatch === "level" ? [0, 9] : [14, 0];
    for (let k = -60; k < 140; k += 1) {
      const [ax, ay] = hatch === "level" ? [0, y + k * dy - 40 * dy] : [k * dx, this.height];
      pen.moveTo(ax, ay);
      pen.lineTo(hatch === "level" ? this.width : ax + this.height * 0.6, hatch === "level" ? ay : 0);
    }
    pen.stroke();
    pen.restore();
    pen.strokeStyle = colour;
    pen.lineWidth = 1.5;
    pen.beginPath();
    for (const deg of [from_deg, to_deg]) {
      pen.moveTo(x, y);
      pen.lineTo(x + far * Math.cos(deg * RADIANS), y - far * Math.sin(deg * RADIANS));
    }
    pen.stroke();
  }

  #drawStrings() {
    const { pen, colours } = this;
    const { courses_mm, plectrum_depth_mm } = this.geometry;
    const middle = this.heights ? (courses_mm[0] + courses_mm[courses_mm.length - 1]) / 2 : courses_mm[Math.floor(courses_mm.length / 2)];
    const radius = Math.max(5, 0.7 * this.unit);
    pen.fillStyle = colours.ink;
    for (const place of courses_mm) {
      // The tip meets a string so deep below its top.
      const [x, top] = this.#at([place - middle, plectrum_depth_mm]);
      pen.beginPath();
      pen.arc(x, top + radius, radius, 0, 2 * Math.PI);
      pen.fill();
    }
    if (this.heights) this.#drawHeights(courses_mm.map((place) => place - middle), plectrum_depth_mm, radius);
    const floor = this.height - 2.6 * this.text;
    pen.strokeStyle = colours.soft;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(0, floor);
    pen.lineTo(this.width, floor);
    pen.stroke();
    this.#label(END_VIEW.instrument, this.width / 2, floor + 1.3 * this.text, "center", colours.soft);
    this.#label(END_VIEW.down, this.width - 6, floor + 1.3 * this.text, "right", colours.down);
    this.#label(END_VIEW.up, 6, floor + 1.3 * this.text, "left", colours.up);
    if (!this.heights) this.#label(END_VIEW.flat, 6, this.centre[1] + this.text / 3, "left", colours.soft);
  }

  // Where a ruler stands: from the soundboard to the outer strings, both at one place along them.
  #drawHeights(places_mm, depth_mm, radius) {
    const { pen, colours } = this;
    const board = this.centre[1] + 3.2 * this.text;
    const [first, last] = [places_mm[0], places_mm[places_mm.length - 1]].map((place) => this.#at([place, depth_mm]));
    const under = first[1] + 2 * radius;
    pen.strokeStyle = colours.ink;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(first[0] - this.text, board);
    pen.lineTo(last[0] + this.text, board);
    for (const [x] of [first, last]) {
      pen.moveTo(x, under);
      pen.lineTo(x, board);
      for (const [tip, back] of [[under, 7], [board, -7]]) {
        pen.moveTo(x - 5, tip + back);
        pen.lineTo(x, tip);
        pen.lineTo(x + 5, tip + back);
      }
    }
    pen.stroke();
    this.#label(END_VIEW.first, first[0] - 10, (under + board) / 2 + this.text / 3, "right");
    this.#label(END_VIEW.last, last[0] + 10, (under + board) / 2 + this.text / 3, "left");
    this.#label(END_VIEW.board, (first[0] + last[0]) / 2, board + 1.2 * this.text, "center");
  }

  #drawStrokes() {
    const { pen, colours } = this;
    const ids = [...this.#strokes.keys()].sort((a, b) => a - b);
    ids.forEach((id, k) => {
      const stroke = this.#strokes.get(id);
      const down = stroke.direction === "down";
      pen.globalAlpha = (0.3 + 0.7 * ((k + 1) / ids.length)) * (stroke.provisional ? 0.6 : 1);
      pen.strokeStyle = down ? colours.down : colours.up;
      pen.lineWidth = stroke.provisional ? 1.5 : 3;
      pen.setLineDash(down ? [] : [9, 7]);
      this.#line(stroke.path_mm.map((point) => this.#at(point)));
    });
    pen.setLineDash([]);
    pen.globalAlpha = 1;
  }

  #drawTrace() {
    const { pen, colours } = this;
    if (this.#trace.length < 2) return;
    const now = performance.now();
    const points = this.#trace.map(({ point }) => this.#at(point));
    pen.strokeStyle = colours.ink;
    pen.lineWidth = 2;
    const pieces = 6;
    for (let k = 0; k < pieces; k += 1) {
      const [from, to] = [k, k + 1].map((part) => Math.floor((part * (points.length - 1)) / pieces));
      if (to === from) continue;
      pen.globalAlpha = Math.max(0.1, 1 - (now - this.#trace[to].at) / TRACE_MS);
      this.#line(points.slice(from, to + 1));
    }
    pen.globalAlpha = 1;
    pen.fillStyle = colours.ink;
    pen.beginPath();
    pen.arc(...points.at(-1), 7, 0, 2 * Math.PI);
    pen.fill();
  }

  // The mean of the last strokes: a heavy line with an arrow at the end that leaves the strings. The strokes themselves
  // stay free to be seen.
  #drawTilt() {
    if (this.tilt_deg === null) return;
    const { pen, colours } = this;
    const angle = this.tilt_deg * RADIANS;
    const end = this.tilt_deg < 0 ? -1 : 1;
    const size = Math.max(14, this.width / 32);
    const spans = [...this.#strokes.values()].map((stroke) => stroke.span_mm);
    const inner = 0.55 * Math.max(0.8 * this.geometry.spacing_mm, ...spans) * this.unit;
    const outer = Math.max(inner + 3 * size, Math.min(this.width * 0.47, this.height * 0.5));
    const tip = (reach) => [this.centre[0] + reach * Math.cos(angle), this.centre[1] - reach * Math.sin(angle)];
    pen.strokeStyle = colours.ink;
    pen.fillStyle = colours.ink;
    pen.lineWidth = Math.max(6, this.width / 90);
    this.#line([tip(end * inner), tip(end * (outer - size))]);
    this.#line([tip(-end * inner), tip(-end * (inner + 1.2 * size))]);
    const [x, y] = tip(end * outer);
    pen.save();
    pen.translate(x, y);
    pen.rotate(-angle + (end < 0 ? Math.PI : 0));
    pen.beginPath();
    pen.moveTo(0, 0);
    pen.lineTo(-1.4 * size, -0.7 * size);
    pen.lineTo(-1.4 * size, 0.7 * size);
    pen.fill();
    pen.restore();
  }

  #line(points) {
    this.pen.beginPath();
    points.forEach(([x, y], k) => (k ? this.pen.lineTo(x, y) : this.pen.moveTo(x, y)));
    this.pen.stroke();
  }

  #label(words, x, y, align, colour = this.colours.ink) {
    const { pen } = this;
    pen.textAlign = align;
    pen.lineWidth = 4;
    pen.strokeStyle = this.colours.paper;
    pen.strokeText(words, x, y);
    pen.fillStyle = colour;
    pen.fillText(words, x, y);
  }
}

function readColours() {
  const style = getComputedStyle(document.documentElement);
  const names = ["paper", "ink", "soft", "rule", "down", "up"];
  return { font: style.fontFamily, ...Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()])) };
}
