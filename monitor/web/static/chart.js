// Reads values under the finger or the pointer from the outlook's own data; the picture itself needs no script.
"use strict";
(async () => {
  const chart = document.getElementById("chart");
  const readout = document.getElementById("readout");
  const cursor = document.getElementById("cursor");
  if (!chart || !readout || !cursor) return;
  const answer = await fetch(chart.dataset.source, { credentials: "same-origin" });
  if (!answer.ok) return;
  const { hours: all } = await answer.json();
  const hours = all.slice(0, Number(chart.dataset.steps));
  const left = Number(chart.dataset.left), right = Number(chart.dataset.right);
  const perStep = (right - left) / Number(chart.dataset.steps);
  let at = 0;
  const show = (index) => {
    at = Math.max(0, Math.min(hours.length - 1, index));
    const x = left + (at + 0.5) * perStep;
    cursor.setAttribute("x1", x);
    cursor.setAttribute("x2", x);
    readout.textContent = hours[at].text;
  };
  const follow = (event) => {
    const box = chart.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * chart.viewBox.baseVal.width;
    show(Math.floor((x - left) / perStep));
  };
  chart.addEventListener("pointermove", follow);
  chart.addEventListener("pointerdown", follow);
  chart.tabIndex = 0;
  chart.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1, PageDown: 24, PageUp: -24 }[event.key];
    if (step) { show(at + step); event.preventDefault(); }
  });
})();
