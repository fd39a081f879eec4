"use strict";
(() => {
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const swap = JSON.parse(document.getElementById("dark").textContent);
  const PRINT_WIDTH = 660;
  let printing = false;

  // A copy of a figure, its colours exchanged for those on dark paper.
  const themed = (value, table) => {
    if (typeof value === "string") return table[value] ?? value;
    if (Array.isArray(value)) return value.map((item) => themed(item, table));
    if (value === null || typeof value !== "object") return value;
    if (value.bdata !== undefined) return { ...value };
    return Object.fromEntries(Object.entries(value).map(([key, item]) => [key, themed(item, table)]));
  };

  // Width and height of a figure here and now; the height is kept free for it until it is drawn.
  const place = (host, layout) => {
    const pair = host.parentElement.classList.contains("pair");
    const printed = pair ? PRINT_WIDTH / 2 - 8 : PRINT_WIDTH;
    const width = printing ? printed : host.clientWidth;
    const meta = layout.meta ?? {};
    let height = layout.height;
    if (meta.aspect) {
      const inner = width - layout.margin.l - layout.margin.r;
      height = Math.round(Math.min(inner * meta.aspect, printing ? 300 : 430) + meta.extra);
    } else if (printing) {
      height = Math.round(height * 0.75);
    } else if (width < 480) {
      height = Math.round(height * 0.9);
    }
    host.style.minHeight = `${height}px`;
    return { width, height };
  };

  const draw = (host, figure) => {
    const table = dark.matches && !printing ? swap : {};
    const { data, layout } = themed(figure, table);
    Object.assign(layout, place(host, layout));
    // Where there is little room an annotation's name is its short form, "-" none at all.
    for (const note of layout.width < 480 ? (layout.annotations ?? []) : []) {
      if (note.name) note.text = note.name === "-" ? "" : note.name;
    }
    return Plotly.react(host, data, layout, { displayModeBar: false, responsive: false });
  };

  // A figure is drawn when the reader comes near it: a phone would be busy for seconds with all of them at once.
  const groups = [];
  const waiting = new Map();
  const near = new IntersectionObserver(
    (entries) => {
      for (const { target, isIntersecting } of entries) {
        if (!isIntersecting) continue;
        near.unobserve(target);
        const group = waiting.get(target);
        if (!group.drawn) group.show(group.at);
      }
    },
    { rootMargin: "700px 0px" },
  );
  for (const element of document.querySelectorAll(".pictures")) {
    const choices = JSON.parse(document.getElementById(element.dataset.figures).textContent);
    const group = { choices, hosts: [...element.children], at: 0, drawn: false };
    group.show = (at) => {
      group.at = at;
      group.drawn = true;
      group.hosts.forEach((host, i) => {
        host.setAttribute("aria-label", choices[at].pictures[i].description);
        draw(host, choices[at].pictures[i].figure);
      });
      const note = document.getElementById(element.dataset.figures + "-note");
      if (note) note.textContent = choices[at].note;
    };
    const select = document.getElementById(element.dataset.figures + "-select");
    if (select) {
      select.addEventListener("change", () => group.show(select.selectedIndex));
      for (const button of select.parentElement.querySelectorAll("button")) {
        button.addEventListener("click", () => {
          const next = (select.selectedIndex + Number(button.dataset.step) + choices.length) % choices.length;
          select.selectedIndex = next;
          group.show(next);
        });
      }
      select.selectedIndex = 0;
    }
    group.hosts.forEach((host, i) => place(host, choices[0].pictures[i].figure.layout));
    groups.push(group);
    waiting.set(element, group);
    near.observe(element);
  }

  const redraw = () => groups.filter((group) => group.drawn || printing).forEach((group) => group.show(group.at));
  dark.addEventListener("change", redraw);
  let width = document.documentElement.clientWidth;
  let frame = 0;
  addEventListener("resize", () => {
    if (printing || document.documentElement.clientWidth === width) return;
    width = document.documentElement.clientWidth;
    cancelAnimationFrame(frame);
    frame = requestAnimationFrame(redraw);
  });
  addEventListener("beforeprint", () => {
    printing = true;
    redraw();
  });
  addEventListener("afterprint", () => {
    printing = false;
    redraw();
  });
  document.documentElement.dataset.drawn = "yes";
})();
