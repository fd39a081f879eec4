// Every text that the page itself says, and every key. What the session says comes from the server.

// The first key of each is the one shown on its button. `help` is the line in the list of keys and in the documentation.
export const KEYS = [
  { command: "next", keys: [" ", "Enter", "ArrowRight", "ArrowDown", "PageDown"], show: "Space", names: "Space, Enter, Right, Down, Page down", help: "Go on: start, next, accept, read on. The pedal." },
  { command: "again", keys: ["ArrowLeft", "ArrowUp", "PageUp", "Backspace"], show: "Left", names: "Left, Up, Page up, Backspace", help: "Again: repeat the gesture, or the block just played; in free play, the gestures of a new posture. In a rating: count up. In the report: back. At the end: save tomorrow's plan. The other pedal." },
  { command: "pause", keys: ["p"], show: "P", names: "P", help: "Pause the block, or hold the rest." },
  { command: "skip", keys: ["s"], show: "S", names: "S", help: "Skip this gesture or question." },
  { command: "rate", keys: ["0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "x"], show: "0", names: "0 to 9, X for 10", help: "Answer a rating. With a pedal: Left counts up, Space accepts." },
  { command: "hurt", keys: ["h"], show: "H", names: "H", help: "Something hurts: stops at once, for today." },
  { command: "finish", keys: ["e"], show: "E", names: "E, twice", help: "End the session and write the report; after it, close the program." },
  { command: "mute", keys: ["m"], show: "M", names: "M", help: "Click on or off." },
  { command: "cue", keys: ["t"], show: "T", names: "T", help: "Tone when the tilt leaves the target, on or off." },
  { command: "options", keys: ["?", "o"], show: "?", names: "?, O", help: "Keys, sound and colours." },
];

export const HURT_LABEL = "Something hurts";

export const SENSOR = {
  connecting: ["…", "Looking for the sensor"],
  ok: ["●", "Sensor is sending"],
  lost: ["✕", "Sensor is silent"],
  failed: ["✕", "No sensor"],
  ended: ["○", "Recording ended"],
  none: ["○", "Without a sensor: plan, tab and click"],
};

export const OFFLINE = "No connection to the program. The recording goes on, and this page keeps trying.";
export const CLOSED = "The program is closed; recording and report are saved. You can close this page, too.";
export const LOST = "The sensor is silent. Check its battery and cable, or come closer; it reconnects by itself.";
export const MICROPHONE = {
  turnOn: "Turn the microphone on",
  turnOff: "Turn the microphone off",
  off: "Off. It would tell which string sounded, count strokes that the sensor missed and time every note. Its sound stays on the computer that runs strokeplane, beside the session, and is in no export unless you ask for it.",
  on: "On: what it hears is kept beside the session. The meter should move with every note and stay out of its last part.",
  insecure: "This browser gives a microphone only to a page of its own computer or to a secure one: open this page on the computer that runs strokeplane.",
  refused: "The browser refused the microphone: allow it for this page, beside the address, and turn it on again.",
  none: "The browser finds no microphone: connect one and turn it on again.",
  ended: "The microphone has stopped; what it heard until then is kept.",
  slow: "The sound could not be sent quickly enough; what was heard until then is kept.",
};
export const SOUND_LOCKED = "No sound yet: press a key or touch this page once, and the browser allows it.";
export const END_TWICE = { session: "Press E once more to end the session.", program: "Press E once more to close the program." };
export const OPEN_REPORT = "Open the report";
export const READ_ON = "Read on";
export const READ_BACK = "Back";

// Where the tilt stands: a mark (a shape, so that no colour is needed) and words.
export const TARGET = {
  inside: ["●", "on target"],
  more: ["▲", "tilt more"],
  less: ["▼", "tilt less"],
  other: ["◆", "the other way"],
  unknown: ["○", "play some strokes"],
  free: ["○", "no target chosen"],
};
export const SIDE = {
  down: "downstroke clears",
  up: "upstroke clears",
  both: "both strokes clear",
  short: "too short to clear",
  none: "too flat: clears neither way",
  unknown: "",
};
export const WEAKEST = "◆ weakest";
export const AGAINST_HAND = "against the hand only";

export const METERS = {
  cycles: "to and fro",
  straightness: "straight",
  speed: "speed",
  coverage: ["first way of rocking", "second way", "third way"],
  stillness: "still",
};

export const GESTURE_PICTURE = {
  "still off": "The sensor lies on a table and nobody touches it.",
  still: "The hand rests with the plectrum on a string and does not move.",
  across: "The plectrum is dragged over all strings, to and fro, while the other hand mutes them.",
  along: "The plectrum slides along one string, to and fro.",
  rock: "The hand rests on the instrument, and both are rocked as one: the neck up and down, the strings to the player and away.",
  "still soundboard": "The sensor lies flat on the soundboard beside the strings, and nobody touches it.",
  "still soundboard, face down": "The sensor lies on the soundboard with its upper face down.",
  "side check": "The strings end on, as you look along them towards the bridge: each downstroke rises away from them, each upstroke comes back the same way.",
  "angle check": "The strings end on: a straight edge lies across them, one end raised; the plectrum's tip slides along it, to and fro.",
  pivot: "The plectrum's tip stays on one spot of a string; the hand rocks over it, slow circles first, then quick nods and turns.",
};
export const PIVOT_PHASES = ["slow circles", "quick nods", "quick turns"];

export const FIELDS = {
  player: "Player",
  handed: "Picking hand",
  instrument: "Instrument",
  posture: "Posture",
  truer: "Two minutes for a truer answer",
  heights_mm: "Heights of first and last string over it, mm; empty: not measured",
  wanted: "Stroke that should clear",
  tempo_bpm: "Tempo, beats a minute",
  notes_per_beat: "Strokes on each beat",
};
export const TRUER = { no: "no", yes: "yes: stills on a flat soundboard" };
export const HANDED = { right: "right", left: "left" };
export const WANTED = { "": "none", down: "downstroke", up: "upstroke" };

export const PREFERENCES = [
  { name: "click", label: "Click", choices: [["on", "on"], ["off", "off"]] },
  { name: "volume", label: "Loudness", choices: [["0.25", "soft"], ["0.5", "medium"], ["1", "loud"]] },
  { name: "silent", label: "Silent bars, to keep the time yourself", choices: [["0", "none"], ["4", "every fourth"], ["2", "every second"]] },
  { name: "picture", label: "Picture of the tilt while playing", choices: [["on", "shown"], ["off", "only after the block"]] },
  { name: "cue", label: "Tone when the tilt leaves the target", choices: [["0", "off"], ["2", "after 2 strokes"], ["4", "after 4 strokes"], ["8", "after 8 strokes"]] },
  { name: "pitch", label: "Tone that follows the tilt", choices: [["off", "off"], ["on", "on"]] },
  { name: "colours", label: "Colours", choices: [["auto", "same as the computer"], ["light", "light"], ["dark", "dark"]] },
  { name: "motion", label: "Moving pictures", choices: [["auto", "same as the computer"], ["less", "still pictures"]] },
];

export const TAB = {
  name: "Tab of the drill",
  next: "Next: posture",
  after: "Next",
};
export const MISSING = "missing, added";
export const END_VIEW = {
  name: "End view of the strings",
  down: "downstroke →",
  up: "← upstroke",
  wanted: "target",
  flat: "too flat",
  board: "soundboard",
  first: "first",
  last: "last",
  instrument: "instrument",
};

export const INSTRUMENT = {
  connecting: ["○", "Instrument: nothing yet"],
  ok: ["●", "Instrument"],
  lost: ["✕", "Instrument: silent"],
  failed: ["✕", "Instrument: silent"],
};
// The instrument's roll about its strings since the gestures, as its sensor takes it out of the tilt.
export const takenOut = (deg) => `${Math.round(Math.abs(deg))}° of roll taken out`;
export const PHONE = {
  waiting: "Point the phone's camera at this picture. Clamp the phone to the instrument's head, or put it into a tight pouch on the strap (never tape it to lacquer); then press Start on it.",
  warning: "Its browser will warn you: this computer made its own certificate, so nobody else vouches for it. On your own network you may go on. No phone? Then go on here.",
};
