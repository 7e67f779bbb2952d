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
    for (const p of fit.pairs) p.draws = unpack(p.draws);
    for (const kind of ["sides", "step", "by", "bend"])
      for (const name of Object.keys(fit[kind])) fit[kind][name] = unpack(fit[kind][name]);
  }
  const { places = {}, together = [] } = table.parts || {};
  for (const { choices } of Object.values(places))
    for (const { draws } of Object.values(choices).flatMap(Object.values))
      for (const response of Object.keys(draws)) draws[response] = unpack(draws[response]);
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
  const compared = (place, part, q) => places[place]?.choices[part]?.[names(q)[0]];
  const mix = (row, at) => at.reduce((sum, [i, w]) => sum + w * row[i], 0);
  const along = (row, [i, t]) => (1 - t) * row[i] + t * row[i + 1];
  const levels = (response, q, { settings, parts }) => {
    const fit = table.responses[response], at = corners(q), out = [];
    const sides = Object.keys(fit.sides).map((n) => [fit.sides[n], place(table.sides[n], q[n])]);
    const plain = Object.entries(table.plain_by).map(([n, [scale, low, high]]) => (clip(q[n], low, high) - clip(table.at[n], low, high)) / scale);
    const moves = Object.keys(fit.step).map((n) => {
      const s = table.settings[n], value = n in settings ? settings[n] : table.usual[n];
      return [n, (value - table.usual[n]) / s.step, fit.bend[n] ? place(table.values[n], value) : null];
    });
    const pairs = fit.pairs.map((p) => {
      const product = (values) => p.settings.reduce((x, n, i) => x * (values[n] - p.middle[i]) / p.step[i], 1);
      return [p.draws, product({ ...table.usual, ...settings }) - product(table.usual)];
    });
    const fitted = Object.entries(parts).map(([n, part]) => compared(n, part, q)?.draws[response]).filter(Boolean);
    for (let d = 0; d < fit.base.length; d++) {
      let z = fit.z + fit.visit[d][0] + mix(fit.base[d], at);
      for (const [draws, where] of sides) z += along(draws[d], where);
      for (const [n, steps, where] of moves) {
        let slope = mix(fit.step[n][d], at);
        plain.forEach((p, i) => { slope += p * fit.by[n][d][i]; });
        z += steps * slope;
        if (where) z += along(fit.bend[n][d], where);
      }
      for (const [draws, change] of pairs) z += draws[d][0] * change;
      for (const draws of fitted) z += draws[d][0];
      out.push(z);
    }
    return out;
  };
  const cost = (ratio, lost, top, skin, speed, usual, q) => {
    const p = table.prices, c = table.crop;
    const soil = ratio * (p.freight_per_t_km * c.haul_km + p.soil_handling_per_t + p.soil_disposal_per_t);
    const worth = p.beet_per_t + (c.sugar_pct === null ? 0 : p.quality_per_point * (c.sugar_pct - p.sugar_standard_pct));
    const k = say.storage, warm = clip(p.storage_temp_c, k.from_c, k.to_c);
    const sound = p.storage_days * k.cool_kg * Math.exp(k.per_c * (warm - k.cool_c));
    const damaged = clip(lost / q.yield_t_ha / k.broken, 0, 1);
    const factor = (1 + (k.times - 1) * damaged) / k.usual + p.storage_dirt_pct * ratio / (1 + ratio) + p.storage_tops_pct / 100 * (top ? top.tops : c.tops_pct) + p.storage_damage_pct / 100 * skin;
    const hours = p.machine_hour / (0.1 * Math.min(speed, usual) * c.width_m * say.efficiency * q.yield_t_ha);
    const t = top && top.tops / 100;
    const tops = top ? t / (1 - t) * (p.freight_per_t_km * c.haul_km + p.soil_handling_per_t + p.tops_per_t) + say.over_loss * top.over / 100 * worth : 0;
    return tops + soil + lost / q.yield_t_ha * worth + sound * factor * p.sugar_per_t / 1000 + hours;
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
  const answer = (q, settings, parts = {}) => {
    const usual = table.usual.ground_speed_kmh ?? say.usual_kmh, both = [];
    let ratio, lost, top;
    const shares = (response, given) => levels(response, q, given).map((z) => 100 / (1 + Math.exp(-z))), has = (response) => response in table.responses;
    for (const given of [{ settings: {}, parts: {} }, { settings, parts }]) {
      ratio = levels("dirt_tare_pct", q, given).map(Math.exp);
      lost = table.responses.root_loss_t_ha ? levels("root_loss_t_ha", q, given).map((z) => Math.max(Math.exp(z) - table.small_loss, 0)) : null;
      const tops = has("top_tare_pct") ? shares("top_tare_pct", given) : has("under_topped_pct") && shares("under_topped_pct", given).map((u) => table.prices.stalks_tops_pct * u / 100);
      const over = has("over_topped_pct") && shares("over_topped_pct", given);
      top = tops && tops.map((t, d) => ({ tops: t, over: over ? over[d] : 0 }));
      const skin = has("damaged_pct") && shares("damaged_pct", given), speed = given.settings.ground_speed_kmh ?? usual;
      both.push(ratio.map((r, d) => cost(r, lost ? lost[d] : say.unknown_loss, top ? top[d] : null, skin ? skin[d] : 0, speed, usual, q)));
    }
    return { dirt: summarise(ratio.map((r) => 100 * r / (1 + r))), loss: lost && summarise(lost), tops: top && has("top_tare_pct") && summarise(top.map((t) => t.tops)), over: top && has("over_topped_pct") && summarise(top.map((t) => t.over)), cost: summarise(both[1]), saved: summarise(both[0].map((c, d) => c - both[1][d])) };
  };
  const { number, money, digitsOf, known, end } = taretraceNumbers(say), POINTS = 25;
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, k) => values[k]);
  const byId = (id) => document.getElementById(id);
  const show = (id, [mean, low, high], digits, factor, sign) => {
    byId(id).textContent = known(mean * factor, digits, sign);
    const isExact = low === high;
    byId(id + "-range").textContent = isExact ? "" : fill(say.span, { lo: end(low * factor, digits, sign), hi: end(high * factor, digits, sign) });
  };
  const showMoney = (id, found, sign) => show(id, found, digitsOf(Math.max(...found.slice(1).map((v) => Math.abs(v * say.tonne_factor)))), say.tonne_factor, sign);
  const perTonne = (v) => `${money(v * say.tonne_factor)} ${say.money}`;
  const sliders = [...document.querySelectorAll(".slider input, .slider select")];
  const lowest = (s) => Number(s.dataset.low), highest = (s) => Number(s.dataset.high), isFlag = (s) => s.type === "checkbox", isPart = (s) => s.dataset.kind === "part";
  const valueOf = (s) => isPart(s) ? s.selectedIndex : isFlag(s) ? (s.checked ? highest(s) : lowest(s)) : Number(s.value);
  const setUsual = (s) => { s[isPart(s) ? "selectedIndex" : isFlag(s) ? "checked" : "value"] = isFlag(s) ? Number(s.dataset.usual) === highest(s) : s.dataset.usual; };
  // A setting has the text of every position of its slider, rounded to what an operator can set.
  const bareValue = (s, stored) => (isPart(s) ? s.options[stored].text : s.dataset.kind === "setting" ? say.texts[s.name][Math.round((stored - lowest(s)) / Number(s.dataset.step))]
    : number(stored * Number(s.dataset.factor) + Number(s.dataset.offset), Number(s.dataset.digits)));
  const shownValue = (s, stored) => `${bareValue(s, stored)} ${s.dataset.unit}`.trim();
  const putValue = (s, value, q, settings, parts) => {
    if (!isPart(s)) (s.dataset.kind === "condition" ? q : settings)[s.name] = value;
    else if (value === 0) delete parts[s.name];
    else parts[s.name] = s.options[value].value;
  };
  const asked = () => {
    const q = {}, settings = {}, parts = {};
    for (const s of sliders) putValue(s, valueOf(s), q, settings, parts);
    return [q, settings, parts];
  };
  const isTogether = (parts) => {
    const all = Object.entries(places).map(([n, about]) => [n, parts[n] ?? about.usual]);
    return !Object.keys(parts).length || together.some((known) => all.every(([n, part]) => known[n] === part));
  };
  const isTried = (s, value, q) => {
    if (isPart(s)) return value === 0 || Boolean(compared(s.name, s.options[value].value, q));
    const range = table.tried[names(q).join("|")].settings[s.name], moved = Math.abs(value - table.usual[s.name]) > 1e-9;
    return !moved || Boolean(range && value >= range[0] - 1e-9 && value <= range[1] + 1e-9);
  };
  const costAt = (s, value) => {
    const [q, settings, parts] = asked(), isSetting = s.dataset.kind !== "condition";
    putValue(s, value, q, settings, parts);
    const found = answer(q, settings, parts), [mean, lo, hi] = found.cost, [saved, least, most] = found.saved;
    // Both sides of a setting's effect share the visit, so its band is that of the saving; a condition changes the visit.
    const band = isSetting ? { lo: mean + saved - most, hi: mean + saved - least } : { lo, hi };
    const here = Object.keys(table.tried[names(q).join("|")].settings).length > 0;
    return { value, mean, ...band, tried: here && isTogether(parts) && (!isSetting || isTried(s, value, q)) };
  };
  let last = sliders.find((s) => s.dataset.kind === "setting") || sliders[0];
  const curve = () => {
    const size = isPart(last) ? last.options.length : isFlag(last) ? 2 : POINTS;
    return Array.from({ length: size }, (_, i) => costAt(last, lowest(last) + (highest(last) - lowest(last)) * i / (size - 1)));
  };
  const drawCurve = () => {
    const points = curve(), now = costAt(last, valueOf(last)), ends = [points[0], points[points.length - 1]];
    const best = [...points, now].filter((p) => p.tried).reduce((a, b) => (a && a.mean <= b.mean ? a : b), null);
    const at = (p) => shownValue(last, p.value), { label, unit } = last.dataset;
    const finding = best ? fill(say.lowest, { label, at: at(best), cost: perTonne(best.mean) }) : fill(say.untried_all, { label });
    const band = last.dataset.kind === "condition" ? say.visit_band : isPart(last) ? say.part_band : say.effect_band;
    const extremes = [Math.min(...points.map((p) => p.lo)), Math.max(...points.map((p) => p.hi))].map((v) => v * say.tonne_factor);
    const [lowest, highest] = extremes.map((v) => end(v, digitsOf(extremes[1])));
    byId("curve-finding").textContent = finding;
    byId("curve-band").textContent = band;
    taretraceCurve(byId("curve"), points, now, {
      each: isPart(last) ? points.map((p) => bareValue(last, p.value)) : null,
      first: bareValue(last, ends[0].value), last: bareValue(last, ends[1].value), lowest, highest,
      across: unit ? fill(say.axis, { label, unit }) : label, up: fill(say.cost_axis, { unit: say.money }),
      label: `${finding} ${fill(say.now, { at: at(now), cost: perTonne(now.mean), low: at(ends[0]), first: perTonne(ends[0].mean), high: at(ends[1]), last: perTonne(ends[1].mean) })} ${band}`,
    });
  };
  const heading = (found, isUsual, unknown) => {
    if (unknown) return say.unknown;
    if (isUsual) return fill(say.usual, { cost: perTonne(found.cost[0]) });
    const [saved] = found.saved;
    if (Math.abs(saved) < 0.005) return say.same;
    return fill(saved > 0 ? say.saves : say.costs, { cost: perTonne(Math.abs(saved)) });
  };
  const draw = () => {
    const [q, settings, parts] = asked(), found = answer(q, settings, parts), [wet, soil] = names(q), cell = table.tried[wet + "|" + soil], reasons = [];
    for (const s of sliders) if (!isPart(s)) byId(s.id + "-value").textContent = shownValue(s, valueOf(s));
    const here = Object.keys(cell.settings).length > 0, words = { n: number(cell.n, 0), soil: say.classes[soil], wet: say.classes[wet] };
    if (!here) reasons.push(fill(say.nobody, words));
    const outside = [];
    let isUsual = true;
    for (const s of sliders.filter((e) => e.dataset.kind !== "condition")) {
      const value = valueOf(s), out = here && !isTried(s, value, q);
      isUsual = isUsual && Math.abs(value - (isPart(s) ? 0 : table.usual[s.name])) < 1e-9;
      if (isPart(s)) byId(s.id + "-note").textContent = value === 0 ? say.parts[s.name].usual : out ? fill(say.not_compared, { part: shownValue(s, value), usual: shownValue(s, 0), wet: say.classes[wet] }) : say.parts[s.name].notes[s.value]?.[wet] ?? "";
      s.closest(".slider").classList.toggle("untried", out);
      if (out) outside.push(s.dataset.label);
    }
    if (!isTogether(parts)) reasons.push(say.not_together);
    if (outside.length) reasons.push(fill(say.outside, { label: outside.join(", ") }));
    byId("where").textContent = fill(say.where, words);
    byId("untried").textContent = reasons.join(" ");
    byId("answer").classList.toggle("untried", reasons.length > 0);
    byId("heading").textContent = heading(found, isUsual, reasons.length > 0);
    show("dirt", found.dirt, 1, 1);
    if (found.loss) show("loss", found.loss, say.loss_digits, say.loss_factor);
    if (found.tops) show("tops", found.tops, 1, 1);
    if (found.over) show("over", found.over, 1, 1);
    showMoney("cost", found.cost);
    showMoney("saved", found.saved, true);
    drawCurve();
  };
  for (const s of sliders) s.addEventListener("input", () => { last = s; draw(); });
  byId("usual").addEventListener("click", () => { sliders.forEach(setUsual); draw(); });
  window.addEventListener("resize", drawCurve);
  window.taretraceAnswer = answer;
  window.taretraceCost = curve;
  draw();
})();
