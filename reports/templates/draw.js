document.addEventListener("DOMContentLoaded", () => {
  const jobs = [...document.querySelectorAll("script.chart-spec")].map((holder) => {
    const target = document.getElementById(holder.dataset.target);
    return vegaEmbed(target, JSON.parse(holder.textContent), { actions: false, renderer: "svg" })
      .then(() => target.setAttribute("data-drawn", "yes"))
      .catch((problem) => { target.textContent = "This chart could not be drawn; its table is below."; console.error(problem); });
  });
  Promise.all(jobs).then(() => document.body.setAttribute("data-charts", "done"));
});
