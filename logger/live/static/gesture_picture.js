// The moving picture of a reference gesture: strings seen from the front, the hand with the sensor, the plectrum.
import { GESTURE_PICTURE, PIVOT_PHASES } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";
const STRINGS = [95, 121, 147, 173, 199, 225];
const TIP = { x: 215, y: 160 };
// Strokes a second in the picture: as fast as the gesture is meant, so that the hand can copy it.
const CHECK_HZ = { "side check": 1, "angle check": 1.5 };
const ACROSS_HZ = 1, ALONG_HZ = 1, CIRCLE_HZ = 0.6, NOD_HZ = 1.7;

// The neck up and down, then the strings to the player and away.
function rockBoth(t_s, wave) {
  const about = (transform) => `translate(200 160) ${transform} translate(-200 -160)`;
  return Math.floor(t_s / 2.5) % 2 === 0 ? about(`rotate(${8 * wave(CIRCLE_HZ)})`) : about(`scale(1 ${1 - 0.1 * (1 + wave(CIRCLE_HZ))})`);
}

export class GesturePicture {
  constructor(svg, preferences) {
    this.svg = svg;
    this.preferences = preferences;
    this.kind = "";
    preferences.listeners.push(() => this.kind && this.show(this.kind));
  }

  // kind is a gesture's, "still off" for the sensor on the table, "still soundboard" (", face down") there, or "" for none.
  show(kind) {
    this.kind = kind;
    this.svg.replaceChildren();
    if (!kind) return;
    this.svg.setAttribute("aria-label", GESTURE_PICTURE[kind]);
    if (kind === "still off") this.#drawTable();
    else if (kind.startsWith("still soundboard")) this.#drawSoundboard(kind.endsWith("down"));
    else if (CHECK_HZ[kind]) this.#drawEndView(kind);
    else this.#drawHand(kind);
    this.draw(0, null);
  }

  // t_s drives the movement; progress (0 to 1, or null) is how much of a running gesture is over.
  draw(t_s, progress) {
    if (!this.hand || this.kind.startsWith("still")) return;
    if (this.kind === "pivot") this.#showPhase(progress === null ? Math.floor(t_s / 4) % 3 : Math.min(2, Math.floor(progress * 3)));
    if (this.preferences.stillPictures) return;
    const wave = (hz) => Math.sin(2 * Math.PI * hz * t_s);
    if (this.kind === "across") this.#place(`translate(0 ${65 * wave(ACROSS_HZ)})`);
    if (this.kind === "along") this.#place(`translate(${70 * wave(ALONG_HZ)} 0)`);
    if (this.kind === "pivot") this.#place(this.#rock(t_s, wave));
    if (CHECK_HZ[this.kind]) this.#place(`translate(${this.way.map((along) => along * wave(CHECK_HZ[this.kind])).join(" ")})`);
    if (this.kind === "rock") this.#place(rockBoth(t_s, wave));
  }

  #rock(t_s, wave) {
    const about = (transform) => `translate(${TIP.x} ${TIP.y}) ${transform} translate(${-TIP.x} ${-TIP.y})`;
    if (this.phase === 0) return about(`rotate(${14 * wave(CIRCLE_HZ)}) scale(1 ${1 + 0.12 * Math.cos(2 * Math.PI * CIRCLE_HZ * t_s)})`);
    if (this.phase === 1) return about(`rotate(${12 * wave(NOD_HZ)})`);
    return about(`scale(${1 - 0.14 * (1 + wave(NOD_HZ))} 1)`);
  }

  #place(transform) {
    this.hand.setAttribute("transform", transform);
  }

  #showPhase(phase) {
    if (phase === this.phase) return;
    this.phase = phase;
    this.captions?.forEach((caption, k) => caption.setAttribute("class", k === phase ? "now" : "later"));
  }

  // Seen from the front: strings, and the sensor beside them; face down its lamp is hidden.
  #drawSoundboard(down) {
    this.hand = null;
    STRINGS.forEach((y, k) => this.#add("line", { x1: 10, y1: y, x2: 390, y2: y, class: "string", "stroke-width": 1.5 + 0.5 * k }));
    this.#add("rect", { x: 70, y: 250, width: 60, height: 32, rx: 3, class: "sensor" });
    if (!down) this.#add("circle", { cx: 118, cy: 266, r: 5, class: "lamp" });
    this.#add("text", { x: 150, y: 272, class: "now" }, down ? "upper face down" : "flat");
  }

  // Seen along the strings, which are dots: the plectrum's way up and away from them, or along the edge that lies on them.
  #drawEndView(kind) {
    const edge = kind === "angle check";
    for (let k = 0; k < 6; k += 1) this.#add("circle", { cx: 80 + 48 * k, cy: 230, r: 5, class: "dot" });
    this.#add("line", { x1: 40, y1: 262, x2: 360, y2: 262, class: "faint" });
    if (edge) this.#add("path", { d: "M70 222 L340 168 L340 222 z", class: "other-hand" });
    const [from, to] = edge ? [[110, 214], [300, 176]] : [[150, 222], [320, 112]];
    this.way = [(to[0] - from[0]) / 2, (to[1] - from[1]) / 2];
    this.#add("path", { d: `M${from} L${to} m-20 ${edge ? -4 : 2} L${to} l-10 16`, class: "arrow" });
    this.#add("text", { x: 200, y: 60, class: "now", "text-anchor": "middle" }, edge ? "to and fro on the edge" : "downstroke: up and away");
    this.hand = this.#add("g", {});
    const [x, y] = [(from[0] + to[0]) / 2, (from[1] + to[1]) / 2];
    this.#add("path", { d: `M${x} ${y} q-14 -22 0 -42 q14 -6 28 2 q0 24 -28 40 z`, class: "plectrum" }, "", this.hand);
  }

  #drawTable() {
    this.hand = null;
    this.#add("line", { x1: 60, y1: 205, x2: 340, y2: 205, class: "line" });
    this.#add("line", { x1: 95, y1: 205, x2: 85, y2: 265, class: "line" });
    this.#add("line", { x1: 305, y1: 205, x2: 315, y2: 265, class: "line" });
    this.#sensor(this.svg, 172, 181);
    for (const [x, y] of [[140, 150], [200, 135], [260, 150]]) this.#add("line", { x1: x, y1: y - 22, x2: x, y2: y, class: "faint" });
  }

  #drawHand(kind) {
    this.phase = null;
    this.captions = null;
    // What is rocked as one is one group: the strings move with the hand.
    const whole = kind === "rock" ? this.#add("g", {}) : this.svg;
    STRINGS.forEach((y, k) => this.#add("line", {
      x1: 10, y1: y, x2: 390, y2: y,
      class: kind === "along" && k === 2 ? "string chosen" : "string",
      "stroke-width": 1.5 + 0.5 * k,
    }, "", whole));
    if (kind === "across") this.#add("path", { d: "M25 70 h62 q14 0 14 14 v152 q0 14 -14 14 h-62 z", class: "other-hand" });
    if (this.preferences.stillPictures && kind !== "still") this.#drawGhosts(kind);
    this.hand = kind === "rock" ? whole : this.#add("g", {});
    this.#drawPlectrumHand(this.hand);
    if (this.preferences.stillPictures && kind !== "still") this.#drawArrow(kind);
    if (kind === "still") this.#add("text", { x: 215, y: 290, class: "now", "text-anchor": "middle" }, "hold");
    if (kind === "pivot") {
      this.#add("circle", { cx: TIP.x, cy: TIP.y, r: 9, class: "ring" });
      this.captions = PIVOT_PHASES.map((words, k) =>
        this.#add("text", { x: 70 + 130 * k, y: 290, class: "later", "text-anchor": "middle" }, words));
    }
  }

  // For readers who want no movement: where it goes, as arrows and the ends of the way.
  #drawGhosts(kind) {
    const ends = { across: ["translate(0 -65)", "translate(0 65)"], along: ["translate(-70 0)", "translate(70 0)"], pivot: [], rock: [] }[kind];
    for (const end of ends) this.#drawPlectrumHand(this.#add("g", { transform: end, class: "ghost" }));
  }

  #drawArrow(kind) {
    const arrows = {
      across: "M150 75 v170 m-8 -12 l8 12 l8 -12 M150 75 m-8 12 l8 -12 l8 12",
      along: "M130 55 h170 m-12 -8 l12 8 l-12 8 M130 55 m12 -8 l-12 8 l12 8",
      rock: "M60 250 q130 40 260 0 m-14 -4 l14 4 l-6 14 M60 250 m6 14 l-6 -14 l14 -4",
      pivot: "M175 70 a60 45 0 1 1 -2 40 m-6 -14 l6 14 l14 -6",
    };
    this.#add("path", { d: arrows[kind], class: "arrow" });
  }

  #drawPlectrumHand(group) {
    const draw = (name, attributes) => this.#add(name, attributes, "", group);
    draw("path", { d: "M400 8 L303 60 q-26 6 -42 24 q-22 22 -22 40 q2 22 24 30 q24 10 48 0 q28 -8 34 -34 L400 92 z", class: "hand" });
    draw("path", { d: "M215 160 q-12 -24 2 -40 q14 -8 28 4 q0 22 -30 36 z", class: "plectrum" });
    draw("path", { d: "M296 92 q-30 2 -46 16 q-16 12 -14 22 q8 10 22 2 q18 -12 40 -12", class: "hand" });
    draw("path", { d: "M263 154 q6 -14 22 -16 M284 159 q6 -14 22 -16 M306 156 q6 -14 20 -18", class: "knuckle" });
    this.#sensor(group, 302, 74);
  }

  #sensor(parent, x, y) {
    this.#add("rect", { x, y, width: 46, height: 24, rx: 3, class: "sensor" }, "", parent);
    this.#add("circle", { cx: x + 37, cy: y + 12, r: 4, class: "lamp" }, "", parent);
  }

  #add(name, attributes, text = "", parent = this.svg) {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    element.textContent = text;
    parent.append(element);
    return element;
  }
}
