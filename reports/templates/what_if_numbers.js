"use strict";
// Numbers as the pages' Python code shows them: `setting_value`, `plain_money` and `money_range` of precision.py.
const taretraceNumbers = (say) => {
  const number = (v, digits, sign) => {
    const text = Math.abs(v).toFixed(digits), zero = Number(text) === 0, [whole, part] = text.split(".");
    const grouped = whole.replace(/\B(?=(\d{3})+$)/g, say.group);
    return (zero ? "" : v < 0 ? "\u2212" : sign ? "+" : "") + grouped + (part ? say.decimal + part : "");
  };
  // Halves go to the even neighbour, as in Python: sliders move in half steps.
  const even = (v) => (Math.abs(v % 1) === 0.5 ? 2 * Math.round(v / 2) : Math.round(v));
  const eighths = (v) => {
    const parts = even(Math.abs(v) * 8), whole = Math.floor(parts / 8), part = parts % 8;
    const divisor = part % 4 === 0 ? 4 : part % 2 === 0 ? 2 : 1;
    const fraction = part ? `${part / divisor}/${8 / divisor}` : "";
    return (v < 0 && parts ? "\u2212" : "") + [whole || !part ? String(whole) : "", fraction].filter(Boolean).join(" ");
  };
  const quantity = (v, digits, unit) => {
    const scale = digits === "eighths" ? 0 : 10 ** Number(digits);
    const text = digits === "eighths" ? eighths(v) : number(even(v * scale) / scale, Math.max(0, Number(digits)));
    return `${text} ${unit}`.trim();
  };
  const digitsOf = (scale) => (scale > 0 ? Math.max(0, 1 - Math.floor(Math.log10(Number(scale.toPrecision(2))))) : 2);
  const money = (v, sign) => {
    const rounded = Number(v.toPrecision(2));
    return number(rounded, digitsOf(Math.abs(rounded)), sign);
  };
  return { number, quantity, money, digitsOf };
};
