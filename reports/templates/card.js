"use strict";
(() => {
  const form = document.querySelector("form.picker"), cells = [...document.querySelectorAll("[data-class]")];
  const [wetness, soil] = form.querySelectorAll("select");
  const pick = () => {
    for (const c of cells) c.classList.toggle("picked", c.dataset.class === `${wetness.value}|${soil.value}`);
  };
  form.addEventListener("change", pick);
  form.addEventListener("submit", (e) => e.preventDefault());
  form.hidden = false;
  document.querySelector(".card-table").classList.add("by-class");
  pick();
})();
