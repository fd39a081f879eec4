// What this browser's player prefers; kept here, never sent.
import { PREFERENCES } from "./words.js";

const PLACE = "strokeplane";
const DEFAULTS = { click: "on", volume: "0.5", silent: "0", picture: "on", cue: "0", pitch: "off", colours: "auto", motion: "auto" };

export class Preferences {
  constructor() {
    this.values = { ...DEFAULTS, ...read() };
    this.listeners = [];
    this.apply();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.apply());
    matchMedia("(prefers-reduced-motion: reduce)").addEventListener("change", () => this.apply());
  }

  get stillPictures() {
    return this.values.motion === "less" || matchMedia("(prefers-reduced-motion: reduce)").matches;
  }

  set(name, value) {
    this.values[name] = value;
    try {
      localStorage.setItem(PLACE, JSON.stringify(this.values));
    } catch {
      // A browser that keeps nothing: the choice holds until the page is left.
    }
    this.apply();
  }

  toggle(name, one, other) {
    this.set(name, this.values[name] === one ? other : one);
  }

  apply() {
    const root = document.documentElement;
    root.dataset.colours = this.values.colours;
    root.dataset.blind = this.values.picture === "off" ? "yes" : "no";
    root.dataset.motion = this.stillPictures ? "less" : "full";
    this.listeners.forEach((listener) => listener());
  }

  // Build the form of the options dialog and keep it in step.
  fill(form) {
    for (const { name, label, choices } of PREFERENCES) {
      const field = document.createElement("p");
      const select = document.createElement("select");
      select.id = `prefer-${name}`;
      select.append(...choices.map(([value, words]) => new Option(words, value)));
      const caption = document.createElement("label");
      caption.htmlFor = select.id;
      caption.textContent = label;
      select.addEventListener("change", () => this.set(name, select.value));
      field.append(caption, select);
      form.append(field);
      const show = () => { select.value = this.values[name]; };
      this.listeners.push(show);
      show();
    }
  }
}

function read() {
  try {
    const kept = JSON.parse(localStorage.getItem(PLACE) ?? "{}");
    const known = PREFERENCES.filter(({ name, choices }) => choices.some(([value]) => value === kept[name]));
    return Object.fromEntries(known.map(({ name }) => [name, kept[name]]));
  } catch {
    return {};
  }
}
