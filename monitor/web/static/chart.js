// Reads values under the finger or the pointer from the picture's own data; the picture itself needs no script.
"use strict";
(async () => {
  const charts = [...document.querySelectorAll("svg.chart")];
  const readout = document.getElementById("readout");
  if (!charts.length || !readout) return;
  const answer = await fetch(charts[0].dataset.source, { credentials: "same-origin" });
  if (!answer.ok) return;
  const { hours: all } = await answer.json();
  const steps = Number(charts[0].dataset.steps);
  const hours = all.slice(0, steps);
  let at = 0;
  const place = (chart) => {
    const left = Number(chart.dataset.left), right = Number(chart.dataset.right);
    return { left, width: (right - left) / steps };
  };
  const show = (index) => {
    at = Math.max(0, Math.min(hours.length - 1, index));
    for (const chart of charts) {
      const { left, width } = place(chart), cursor = chart.querySelector(".cursor");
      cursor.setAttribute("x1", left + (at + 0.5) * width);
      cursor.setAttribute("x2", left + (at + 0.5) * width);
    }
    readout.textContent = hours[at].text;
  };
  for (const chart of charts) {
    const follow = (event) => {
      const box = chart.getBoundingClientRect(), { left, width } = place(chart);
      const x = ((event.clientX - box.left) / box.width) * chart.viewBox.baseVal.width;
      show(Math.floor((x - left) / width));
    };
    chart.addEventListener("pointermove", follow);
    chart.addEventListener("pointerdown", follow);
    chart.tabIndex = 0;
    chart.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowLeft: -1, PageDown: 24, PageUp: -24 }[event.key];
      if (step) { show(at + step); event.preventDefault(); }
    });
  }
})();
