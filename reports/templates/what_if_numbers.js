"use strict";
// Numbers as the pages' Python code shows them: `plain_money` and `money_range` of precision.py.
const taretraceNumbers = (say) => {
  const number = (v, digits, sign) => {
    const text = Math.abs(v).toFixed(digits), zero = Number(text) === 0, [whole, part] = text.split(".");
    const grouped = whole.replace(/\B(?=(\d{3})+$)/g, say.group);
    return (zero ? "" : v < 0 ? "\u2212" : sign ? "+" : "") + grouped + (part ? say.decimal + part : "");
  };
  const digitsOf = (scale) => (scale > 0 ? Math.max(0, 1 - Math.floor(Math.log10(Number(scale.toPrecision(2))))) : 2);
  const money = (v, sign) => {
    const rounded = Number(v.toPrecision(2));
    return number(rounded, digitsOf(Math.abs(rounded)), sign);
  };
  // A value that rounds to zero never reads "0.00", which would look exact.
  const known = (v, digits, sign) => (Number(v.toFixed(digits)) !== 0 ? number(v, digits, sign) : v === 0 ? "0" : say.about_zero);
  const end = (v, digits, sign) => (Number(v.toFixed(digits)) === 0 ? "0" : number(v, digits, sign));
  return { number, money, digitsOf, known, end };
};
