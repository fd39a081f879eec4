// The large figures beside the picture while playing, and where the tilt stands, in words.
import { AGAINST_HAND, END_VIEW, SIDE, TARGET } from "./words.js";

export function setText(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

// One of TARGET's keys: where a tilt stands to the target.
export function targetPlace(tilt_deg, target_deg) {
  if (tilt_deg === null) return "unknown";
  if (!target_deg) return "free";
  const [least, most] = target_deg;
  if (tilt_deg >= least && tilt_deg <= most) return "inside";
  const side = Math.sign(least + most);
  if (Math.sign(tilt_deg) !== side && tilt_deg !== 0) return "other";
  const inner = Math.min(Math.abs(least), Math.abs(most));
  return Math.abs(tilt_deg) < inner ? "more" : "less";
}

// One of SIDE's keys: which stroke clears. A tilt may be enough, and the strokes still too short.
export function sideOf(tilt_deg, dead_band_deg, down, up) {
  if (tilt_deg === null) return "unknown";
  if (down && up) return "both";
  if (down || up) return down ? "down" : "up";
  return Math.abs(tilt_deg) < dead_band_deg ? "none" : "short";
}

export function degrees(tilt_deg) {
  if (tilt_deg === null) return "–";
  const whole = Math.round(tilt_deg);
  return `${whole < 0 ? "−" : ""}${Math.abs(whole)}°`;
}

export function share(value) {
  return value === null ? "–" : `${Math.round(100 * value)} %`;
}

export function clock(seconds) {
  const whole = Math.max(0, Math.ceil(seconds - 0.05));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

export function showFigures(strokes, state, endView) {
  const place = targetPlace(strokes.tilt_now_deg, state.block?.target_deg ?? null);
  const [mark, words] = TARGET[place];
  const line = document.getElementById("target-line");
  line.dataset.place = place;
  setText(line.querySelector(".mark"), mark);
  setText(line.querySelector(".text"), words);
  setText(document.getElementById("tilt-number"), degrees(strokes.tilt_now_deg));
  const side = SIDE[sideOf(strokes.tilt_now_deg, state.setup.dead_band_deg, endView.clears("down"), endView.clears("up"))];
  const borrowed = strokes.borrowed_from ? `by the gestures of posture ${strokes.borrowed_from}` : "";
  const limits = [side, strokes.against_hand ? AGAINST_HAND : borrowed].filter(Boolean).join(", ");
  setText(document.getElementById("tilt-side"), side ? limits : "");
  const told = strokes.tilt_now_deg === null ? "" : `, tilt now ${degrees(strokes.tilt_now_deg)}, ${side}, ${words}`;
  endView.canvas.setAttribute("aria-label", `${END_VIEW.name}${told}`);
  setText(document.getElementById("held"), share(strokes.held_share));
  setText(document.getElementById("speed"), strokes.strokes_per_s === null ? "–" : strokes.strokes_per_s.toFixed(1));
}

export const NO_STROKES = {
  tilt_now_deg: null, held_share: null, strokes_per_s: null, outside: 0, against_hand: false, borrowed_from: null,
};
