// From key presses to commands. A page-turner pedal is a keyboard with two keys.
import { KEYS } from "./words.js";

const COMMAND_OF = new Map(KEYS.flatMap((entry) => entry.keys.map((key) => [key, entry.command])));

// Commands that have controls of their own, and those that no foot may give by mistake.
export const OWN_CONTROLS = ["rate", "choose"];
const DELIBERATE = ["hurt", "finish"];

// The pedal's command: the first that the session offers. "" where that is none for a pedal: after pain, nothing goes on
// by a foot.
export function pedalCommand(keys) {
  const first = keys.map(({ command }) => command).find((command) => !OWN_CONTROLS.includes(command)) ?? "";
  return DELIBERATE.includes(first) ? "" : first;
}

// What a pressed key means, or null. Ratings carry their value.
export function commandOf(key) {
  const command = COMMAND_OF.get(key.length === 1 ? key.toLowerCase() : key);
  if (command === undefined) return null;
  if (command !== "rate") return { command };
  return { command, value: key.toLowerCase() === "x" ? 10 : Number(key) };
}

export function shownKey(command) {
  return KEYS.find((entry) => entry.command === command)?.show ?? "";
}

// Controls keep the keys that they need themselves; everything else is the session's.
function belongsToControl(event) {
  const target = event.target;
  if (!(target instanceof Element)) return false;
  if (target.closest("dialog")) return event.key !== "h" && event.key !== "H";
  if (target.matches("select, input, textarea")) return true;
  return target.matches("button, a[href], summary") && (event.key === " " || event.key === "Enter");
}

// A worn pedal closes its contact twice within some milliseconds; no foot does.
const BOUNCE_MS = 80;
const PEDALS = ["next", "again"];

// Returns what follows a key that went elsewhere first, as into the report.
export function listenForKeys(act) {
  let last = { key: "", at: -Infinity };
  const follow = (meant, { key, repeat }, at) => {
    const bounced = PEDALS.includes(meant.command) && key === last.key && at - last.at < BOUNCE_MS;
    last = { key, at };
    // A key held down, or a pedal stood on, is one press.
    if (!repeat && !bounced) act(meant);
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.key === "Escape" && event.target.matches?.("select, input, button, a")) event.target.blur();
    const meant = commandOf(event.key);
    if (meant === null || belongsToControl(event)) return;
    event.preventDefault();
    follow(meant, event, event.timeStamp);
  });
  return (told) => {
    const meant = commandOf(told.key);
    if (meant !== null) follow(meant, told, performance.now());
  };
}
