"use strict";
(() => {
  const words = JSON.parse(document.getElementById("page-words").textContent);
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, k) => values[k]);
  const chosen = {};
  const fits = (marks) => Object.entries(chosen).every(([k, v]) => !v || !(k in marks) || marks[k] === v || marks[k].split("|").includes(v));
  const form = document.querySelector("form.filters");
  const lists = [...document.querySelectorAll(".loads-list")].map(loadsList);

  function loadsList(box) {
    const data = JSON.parse(box.querySelector(".loads-data").textContent);
    const body = box.querySelector("tbody"), heads = [...box.querySelectorAll("th")].map((h) => [h.textContent, h.className]);
    const bare = (v, c) => (v === null ? "–" : data.words[c] ? data.words[c][v] : v);
    const text = (v, c) => (v === null || data.words[c] || data.digits[c] === null ? data.named[bare(v, c)] || bare(v, c)
      : v.toLocaleString(document.documentElement.lang, { minimumFractionDigits: data.digits[c], maximumFractionDigits: data.digits[c] }).replace("-", "\u2212"));
    const marksOf = (i) => Object.fromEntries(Object.entries(data.marks).map(([m, c]) => [m, String(bare(data.columns[c][i], c))]));
    const step = matchMedia("(max-width: 42rem)").matches ? 20 : 100;
    let shown = step;
    const draw = () => {
      const some = [];
      for (let i = 0; i < data.rows; i++) if (fits(marksOf(i))) some.push(i);
      body.replaceChildren(...some.slice(0, shown).map((i) => {
        const row = document.createElement("tr");
        heads.forEach(([head, kind], c) => {
          const cell = document.createElement(c ? "td" : "th");
          if (!c) cell.scope = "row";
          cell.textContent = text(data.columns[c][i], c);
          cell.className = kind;
          if (c) cell.dataset.label = head;
          row.append(cell);
        });
        return row;
      }));
      const n = (v) => v.toLocaleString(document.documentElement.lang);
      box.querySelector(".loads-count").textContent = fill(words.loads, { shown: n(Math.min(shown, some.length)), some: n(some.length), all: n(data.rows) });
      box.querySelector(".more").hidden = some.length <= shown;
    };
    box.querySelector(".more").addEventListener("click", () => { shown += step; draw(); });
    return { box, draw, reset: () => { shown = step; draw(); } };
  }

  function apply() {
    let seen = 0, every = 0;
    for (const e of document.querySelectorAll("[data-filtered]")) {
      e.hidden = !fits(e.dataset);
      if (e.matches(".card")) { every += 1; seen += e.hidden ? 0 : 1; }
    }
    for (const l of lists) l.reset();
    for (const view of Object.values(window.taretraceViews || {}))
      for (const [k, v] of Object.entries(chosen))
        try { view.signal(`only_${k}`, v || "").runAsync(); } catch { /* this chart has no such filter */ }
    const narrowed = Object.values(chosen).some(Boolean);
    if (form) form.querySelector(".shown").textContent = narrowed && every ? fill(words.narrowed, { seen, every }) : "";
  }

  function choose(wanted) {
    for (const s of form ? form.querySelectorAll("select") : []) {
      const v = wanted[s.dataset.mark] || "";
      s.value = [...s.options].some((o) => o.value === v) ? v : "";
    }
    for (const k of Object.keys(chosen)) delete chosen[k];
    Object.assign(chosen, wanted);
    apply();
  }

  function follow() {
    const [part, asked] = location.hash.slice(1).split("/");
    if (asked === undefined || !lists.length) return;
    choose(Object.fromEntries(asked.split("&").map((p) => p.split("=").map(decodeURIComponent))));
    const box = document.getElementById(part) || lists[0].box;
    for (let e = box; e; e = e.parentElement) if (e.tagName === "DETAILS") e.open = true;
    box.scrollIntoView();
    box.focus({ preventScroll: true });
  }

  if (form) {
    form.addEventListener("change", () => choose(Object.fromEntries([...form.querySelectorAll("select")].map((s) => [s.dataset.mark, s.value]))));
    form.addEventListener("reset", (e) => { e.preventDefault(); choose({}); });
    form.addEventListener("submit", (e) => e.preventDefault());
  }
  // Folded machines of a ranking belong on paper; other folds hold numbers for the screen.
  let opened = [];
  window.addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("details:not([open])")].filter((d) => d.querySelector(":scope > .bars"));
    for (const d of opened) d.open = true;
  });
  window.addEventListener("afterprint", () => { for (const d of opened) d.open = false; });
  window.addEventListener("hashchange", follow);
  document.addEventListener("charts-drawn", apply);
  choose(Object.fromEntries([...document.querySelectorAll("form.filters select[data-start]")].map((s) => [s.dataset.mark, s.dataset.start])));
  follow();
})();
