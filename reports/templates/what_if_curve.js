"use strict";
// Curve of cost against one slider: band, line (dashed where nobody has tried the value) and a dot at its value; of parts,
// one mark with its interval each.
const taretraceCurve = (svg, points, now, text) => {
  const size = { wide: svg.parentElement.clientWidth || 320, high: svg.clientHeight || 84, left: 52, right: 8, top: 6, bottom: 18 };
  svg.setAttribute("viewBox", `0 0 ${size.wide} ${size.high}`);
  const first = points[0].value, last = points[points.length - 1].value;
  const low = Math.min(...points.map((p) => p.lo)), high = Math.max(...points.map((p) => p.hi));
  const share = (size.wide - size.left - size.right) / points.length;
  const x = (v) => text.each ? size.left + share * (v + 0.5) : size.left + (size.wide - size.left - size.right) * (v - first) / (last - first || 1);
  const y = (c) => size.top + (size.high - size.top - size.bottom) * (high - c) / (high - low || 1);
  const part = (name, attributes, words) => {
    const e = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
    if (words !== undefined) e.textContent = words;
    return e;
  };
  const path = (list, cost) => list.map((p, i) => `${i ? "L" : "M"}${x(p.value).toFixed(1)} ${y(cost(p)).toFixed(1)}`).join("");
  const back = [...points].reverse();
  const parts = text.each ? [] : [part("path", { class: "band", d: `${path(points, (p) => p.hi)}${path(back, (p) => p.lo).replace("M", "L")}Z` })];
  for (let i = 1; i < points.length && !text.each; i++) {
    const tried = points[i - 1].tried && points[i].tried;
    parts.push(part("path", { class: tried ? "line" : "line untried", d: path(points.slice(i - 1, i + 1), (p) => p.mean) }));
  }
  if (text.each) points.forEach((p, i) => {
    const at = x(p.value).toFixed(1), room = Math.floor(share / 6), name = text.each[i];
    parts.push(part("path", { class: p.tried ? "whisker" : "whisker untried", d: `M${at} ${y(p.lo).toFixed(1)}V${y(p.hi).toFixed(1)}` }));
    parts.push(part("circle", { class: p.tried ? "mark" : "mark untried", cx: at, cy: y(p.mean).toFixed(1), r: 3 }));
    parts.push(part("text", { x: at, y: size.high - 4, "text-anchor": "middle" }, name.length > room ? `${name.slice(0, room - 1)}…` : name));
  });
  parts.push(part("circle", { class: "now", cx: x(now.value).toFixed(1), cy: y(now.mean).toFixed(1), r: 5 }));
  parts.push(part("text", { x: size.left - 4, y: size.top + 9, "text-anchor": "end" }, text.highest));
  parts.push(part("text", { x: size.left - 4, y: size.high - size.bottom, "text-anchor": "end" }, text.lowest));
  const middle = size.high / 2;
  if (!text.each) parts.push(part("text", { x: size.left, y: size.high - 4, "text-anchor": "start" }, text.first));
  if (!text.each) parts.push(part("text", { x: size.wide - size.right, y: size.high - 4, "text-anchor": "end" }, text.last));
  if (!text.each) parts.push(part("text", { class: "axis", x: (size.left + size.wide - size.right) / 2, y: size.high - 4, "text-anchor": "middle" }, text.across));
  parts.push(part("text", { class: "axis", x: 13, y: middle, "text-anchor": "middle", transform: `rotate(-90 13 ${middle})` }, text.up));
  svg.replaceChildren(...parts);
  svg.setAttribute("aria-label", text.label);
};
