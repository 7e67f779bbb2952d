"use strict";
(() => {
  const table = JSON.parse(document.getElementById("table").textContent);
  const say = JSON.parse(document.getElementById("words").textContent);
  const unpack = (packed) => {
    const raw = atob(packed.data), bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
    const whole = new Int16Array(bytes.buffer), wide = packed.shape[1] || 1, out = [];
    for (let d = 0; d < packed.shape[0]; d++) out.push(Array.from(whole.subarray(d * wide, (d + 1) * wide), (v) => v * packed.scale));
    return out;
  };
  for (const fit of Object.values(table.responses)) {
    fit.base = unpack(fit.base);
    fit.visit = unpack(fit.visit);
    for (const kind of ["sides", "step", "by", "bend"])
      for (const name of Object.keys(fit[kind])) fit[kind][name] = unpack(fit[kind][name]);
  }
  const clip = (v, low, high) => Math.min(Math.max(v, low), high);
  const place = (grid, value) => {
    const v = clip(value, grid[0], grid[grid.length - 1]);
    let i = 0;
    while (i < grid.length - 2 && grid[i + 1] <= v) i++;
    return [i, (v - grid[i]) / (grid[i + 1] - grid[i] || 1)];
  };
  const corners = (q) => {
    const [i, a] = place(table.wetness, q.topsoil_wetness), [j, b] = place(table.clay, q.clay_pct), wide = table.clay.length;
    return [[i * wide + j, (1 - a) * (1 - b)], [i * wide + j + 1, (1 - a) * b], [(i + 1) * wide + j, a * (1 - b)], [(i + 1) * wide + j + 1, a * b]];
  };
  const mix = (row, at) => at.reduce((sum, [i, w]) => sum + w * row[i], 0);
  const along = (row, [i, t]) => (1 - t) * row[i] + t * row[i + 1];
  const levels = (response, q, settings) => {
    const fit = table.responses[response], at = corners(q), out = [];
    const sides = Object.keys(fit.sides).map((n) => [fit.sides[n], place(table.sides[n], q[n])]);
    const plain = Object.entries(table.plain_by).map(([n, [scale, low, high]]) => (clip(q[n], low, high) - clip(table.at[n], low, high)) / scale);
    const moves = Object.keys(fit.step).map((n) => {
      const s = table.settings[n], value = n in settings ? settings[n] : table.usual[n];
      return [n, (value - table.usual[n]) / s.step, fit.bend[n] ? place(table.values[n], value) : null];
    });
    for (let d = 0; d < fit.base.length; d++) {
      let z = fit.z + fit.visit[d][0] + mix(fit.base[d], at);
      for (const [draws, where] of sides) z += along(draws[d], where);
      for (const [n, steps, where] of moves) {
        let slope = mix(fit.step[n][d], at);
        plain.forEach((p, i) => { slope += p * fit.by[n][d][i]; });
        z += steps * slope;
        if (where) z += along(fit.bend[n][d], where);
      }
      out.push(z);
    }
    return out;
  };
  const cost = (ratio, lost, speed, usual, q) => {
    const p = table.prices, c = table.crop;
    const soil = ratio * (p.freight_per_t_km * c.haul_km + p.soil_handling_per_t + p.soil_disposal_per_t);
    const worth = p.beet_per_t + (c.sugar_pct === null ? 0 : p.quality_per_point * (c.sugar_pct - p.sugar_standard_pct));
    const k = say.storage, warm = clip(p.storage_temp_c, k.from_c, k.to_c);
    const sound = p.storage_days * k.cool_kg * Math.exp(k.per_c * (warm - k.cool_c));
    const damaged = clip(lost / q.yield_t_ha / k.broken, 0, 1);
    const factor = (1 + (k.times - 1) * damaged) / k.usual + p.storage_dirt_pct * ratio / (1 + ratio) + p.storage_tops_pct / 100 * c.tops_pct;
    const hours = p.machine_hour / (0.1 * Math.min(speed, usual) * c.width_m * say.efficiency * q.yield_t_ha);
    return soil + lost / q.yield_t_ha * worth + sound * factor * p.sugar_per_t / 1000 + hours;
  };
  const summarise = (draws) => {
    const s = [...draws].sort((a, b) => a - b);
    const at = (p) => { const x = p * (s.length - 1), i = Math.floor(x); return i + 1 < s.length ? s[i] + (x - i) * (s[i + 1] - s[i]) : s[i]; };
    return [draws.reduce((a, b) => a + b, 0) / draws.length, at(0.025), at(0.975)];
  };
  const names = (q) => {
    const [dry, wet, light, heavy] = table.borders;
    return [q.topsoil_wetness < dry ? "dry" : q.topsoil_wetness < wet ? "moist" : "wet", q.clay_pct < light ? "light" : q.clay_pct <= heavy ? "medium" : "heavy"];
  };
  const answer = (q, settings) => {
    const usual = table.usual.ground_speed_kmh ?? say.usual_kmh, both = [];
    let ratio, lost;
    for (const given of [{}, settings]) {
      ratio = levels("dirt_tare_pct", q, given).map(Math.exp);
      lost = table.responses.root_loss_t_ha ? levels("root_loss_t_ha", q, given).map((z) => Math.max(Math.exp(z) - table.small_loss, 0)) : null;
      const speed = given.ground_speed_kmh ?? usual;
      both.push(ratio.map((r, d) => cost(r, lost ? lost[d] : say.unknown_loss, speed, usual, q)));
    }
    return { dirt: summarise(ratio.map((r) => 100 * r / (1 + r))), loss: lost && summarise(lost), cost: summarise(both[1]), saved: summarise(both[0].map((c, d) => c - both[1][d])) };
  };
  const number = (v, digits, sign) => {
    const text = Math.abs(v).toFixed(digits), zero = Number(text) === 0;
    return (zero ? "" : v < 0 ? "\u2212" : sign ? "+" : "") + text.replace("-", "").replace(".", say.decimal);
  };
  const show = (id, [mean, low, high], digits, factor, sign) => {
    document.getElementById(id).textContent = number(mean * factor, digits, sign);
    document.getElementById(id + "-range").textContent = say.span.replace("{lo}", number(low * factor, digits, sign)).replace("{hi}", number(high * factor, digits, sign));
  };
  const sliders = [...document.querySelectorAll("input[type=range]")];
  const draw = () => {
    const q = {}, settings = {};
    for (const s of sliders) {
      const stored = Number(s.value), shown = stored * Number(s.dataset.factor) + Number(s.dataset.offset);
      document.getElementById(s.id + "-value").textContent = number(shown, Math.abs(shown - Math.round(shown)) < 0.005 ? 0 : Number(s.dataset.digits)) + " " + s.dataset.unit;
      if (s.dataset.kind === "condition") q[s.name] = stored; else settings[s.name] = stored;
    }
    const found = answer(q, settings), [wet, soil] = names(q), cell = table.tried[wet + "|" + soil], reasons = [];
    const here = Object.keys(cell.settings).length > 0;
    if (!here) reasons.push(say.nobody.replace("{n}", cell.n).replace("{soil}", say.classes[soil]).replace("{wet}", say.classes[wet]));
    for (const s of sliders.filter((e) => e.dataset.kind === "setting")) {
      const range = cell.settings[s.name], value = Number(s.value), row = s.closest(".slider");
      const moved = Math.abs(value - table.usual[s.name]) > 1e-9;
      const out = here && moved && (!range || value < range[0] - 1e-9 || value > range[1] + 1e-9);
      row.classList.toggle("untried", out);
      if (out) reasons.push(say.outside.replace("{label}", s.dataset.label));
    }
    document.getElementById("where").textContent = say.where.replace("{wet}", say.classes[wet]).replace("{soil}", say.classes[soil]).replace("{n}", cell.n);
    document.getElementById("untried").textContent = reasons.join(" ");
    document.getElementById("answer").classList.toggle("untried", reasons.length > 0);
    show("dirt", found.dirt, 1, 1);
    if (found.loss) show("loss", found.loss, 2, say.loss_factor);
    show("cost", found.cost, 2, say.tonne_factor);
    show("saved", found.saved, 2, say.tonne_factor, true);
  };
  for (const s of sliders) s.addEventListener("input", draw);
  document.getElementById("usual").addEventListener("click", () => { for (const s of sliders) s.value = s.dataset.usual; draw(); });
  window.taretraceAnswer = answer;
  draw();
})();
