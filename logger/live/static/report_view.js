// The report in its frame. It has no origin of its own, so that the two can only talk by messages; report_frame.js is
// the report's side of that.

export class ReportView {
  #place = null;
  #loaded = false;

  // changed() is called when the report was loaded or scrolled, press({ key, repeat }) for keys that went to the report.
  constructor(frame, changed, press) {
    this.frame = frame;
    frame.addEventListener("load", () => {
      this.#loaded = frame.hasAttribute("src");
      changed();
    });
    addEventListener("message", ({ source, data }) => {
      if (source !== frame.contentWindow || data === null || typeof data !== "object") return;
      if (data.kind === "place") this.#place = data;
      if (data.kind === "key" && typeof data.key === "string") press(data);
      changed();
    });
  }

  get open() {
    return !this.frame.hidden;
  }

  // A report that tells no place, once it is there, is all on the screen.
  get atEnd() {
    return this.#place ? this.#place.end : this.#loaded;
  }

  get atBegin() {
    return this.#place ? this.#place.begin : true;
  }

  show(url) {
    if (this.frame.getAttribute("src") !== url) this.frame.src = url;
    this.frame.hidden = false;
  }

  hide() {
    this.frame.hidden = true;
  }

  // One screen on (1) or back (-1).
  turn(screens) {
    this.frame.contentWindow.postMessage({ kind: "turn", screens }, "*");
  }
}
