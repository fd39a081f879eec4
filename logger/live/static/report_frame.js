// Goes into the report that the page shows: the pedal turns its pages, and keys that it gets are the session's.
(() => {
  const SHARE = 0.85; // of a screen, so that a line or two stay to go on from
  const tell = () => {
    const left = document.documentElement.scrollHeight - innerHeight - scrollY;
    parent.postMessage({ kind: "place", begin: scrollY < 4, end: left < 4 }, "*");
  };
  addEventListener("message", ({ source, data }) => {
    if (source !== parent || data?.kind !== "turn") return;
    scrollBy({ top: data.screens * SHARE * innerHeight, behavior: "instant" });
    tell();
  });
  addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.target.closest?.("select, input, textarea, button, a[href], summary")) return;
    const turns = [" ", "ArrowRight", "ArrowLeft", "ArrowUp", "ArrowDown", "PageUp", "PageDown"];
    if (turns.includes(event.key)) event.preventDefault();
    parent.postMessage({ kind: "key", key: event.key, repeat: event.repeat }, "*");
  });
  for (const kind of ["scroll", "resize", "load"]) addEventListener(kind, tell, { passive: true });
  tell();
})();
