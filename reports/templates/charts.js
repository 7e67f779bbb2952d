document.addEventListener("DOMContentLoaded", () => {
  const say = JSON.parse(document.getElementById("page-words").textContent);
  const views = (window.taretraceViews = {});
  const unpacked = (columns) => {
    const keys = Object.keys(columns), values = keys.map((k) => columns[k].texts ? columns[k].at.map((i) => columns[k].texts[i]) : columns[k]);
    return keys.length ? values[0].map((_, i) => Object.fromEntries(keys.map((k, c) => [k, values[c][i]]))) : [];
  };
  const drawn = (holder) => {
    if (holder.dataset.started) return Promise.resolve();
    holder.dataset.started = "yes";
    const target = document.getElementById(holder.dataset.target), own = JSON.parse(holder.textContent);
    const spec = own.spec || JSON.parse(document.getElementById(holder.dataset.shared).textContent);
    if (own.height) spec.height = own.height;
    spec.datasets = Object.fromEntries(Object.entries(own.data).map(([name, columns]) => [name, unpacked(columns)]));
    return vegaEmbed(target, spec, { actions: false, renderer: "svg", formatLocale: say.locales.number, timeFormatLocale: say.locales.time })
      .then((result) => { views[holder.dataset.target] = result.view; target.setAttribute("data-drawn", "yes"); })
      .catch((problem) => { target.textContent = say.undrawn; console.error(problem); });
  };
  const holders = [...document.querySelectorAll("script.chart-spec")];
  const closed = (e) => e.closest("details:not([open])");
  const seen = () => Promise.all(holders.filter((h) => !closed(h)).map(drawn)).then(() => document.dispatchEvent(new Event("charts-drawn")));
  for (const d of document.querySelectorAll("details")) d.addEventListener("toggle", () => { if (d.open) seen(); });
  seen().then(() => document.body.setAttribute("data-charts", "done"));
});
