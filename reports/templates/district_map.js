"use strict";
(() => {
  const REACH_PX = 24;
  for (const svg of document.querySelectorAll(".district .map")) {
    const line = svg.parentElement.querySelector(".map-line");
    const fields = [...svg.querySelectorAll("[role=option]")];
    const rows = line.dataset.table ? document.getElementById(line.dataset.table).tBodies[0].rows : [];
    const centre = (field) => {
      const box = field.getBoundingClientRect();
      return { x: (box.left + box.right) / 2, y: (box.top + box.bottom) / 2 };
    };
    const rowOf = (svg.dataset.rows || "").split(",");
    const link = (field) => rows[rowOf[fields.indexOf(field)] || NaN]?.querySelector("a[href]");
    let current = fields[0];

    // One stop of the tab key for the whole map: the arrow keys move from field to field.
    const show = (field) => {
      current.tabIndex = -1;
      current.removeAttribute("aria-selected");
      current = field;
      field.tabIndex = 0;
      field.setAttribute("aria-selected", "true");
      line.classList.remove("hint");
      line.textContent = field.querySelector("title").textContent;
      const found = link(field);
      if (!found) return;
      const copy = document.createElement("a");
      copy.href = found.getAttribute("href");
      copy.textContent = line.dataset.link;
      line.append(" ", copy);
    };

    const nearest = (x, y, isCandidate, cost) => {
      let best = null, least = Infinity;
      for (const field of fields) {
        const at = centre(field), dx = at.x - x, dy = at.y - y;
        if (!isCandidate(field, dx, dy)) continue;
        const c = cost(dx, dy);
        if (c < least) { best = field; least = c; }
      }
      return best;
    };
    const AHEAD = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowDown: [0, 1], ArrowUp: [0, -1] };
    const towards = ([right, down]) => {
      const from = centre(current);
      const ahead = (dx, dy) => dx * right + dy * down;
      return nearest(from.x, from.y, (f, dx, dy) => f !== current && ahead(dx, dy) > 0.5,
        (dx, dy) => ahead(dx, dy) + 3 * Math.abs(dx * down - dy * right));
    };

    if (!fields.length) continue;
    for (const field of fields.slice(1)) field.tabIndex = -1;
    line.textContent = line.dataset.hint;
    line.classList.add("hint");
    svg.addEventListener("focusin", (e) => { if (e.target.matches("[role=option]")) show(e.target); });
    svg.addEventListener("click", (e) => {
      const own = e.target.closest("[role=option]");
      const close = own || nearest(e.clientX, e.clientY, (f, dx, dy) => Math.hypot(dx, dy) < REACH_PX, Math.hypot);
      if (close) { close.focus({ preventScroll: true }); show(close); }
    });
    svg.addEventListener("keydown", (e) => {
      if (!e.target.matches("[role=option]")) return;
      const next = AHEAD[e.key] ? towards(AHEAD[e.key]) : e.key === "Home" ? fields[0] : e.key === "End" ? fields.at(-1) : null;
      if (next) next.focus();
      if (e.key === "Enter" || e.key === " ") { show(current); line.querySelector("a")?.focus(); }
      if (AHEAD[e.key] || ["Home", "End", "Enter", " "].includes(e.key)) e.preventDefault();
    });
  }
})();
