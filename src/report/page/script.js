"use strict";
for (const figure of document.querySelectorAll("figure")) {
  const svg = figure.querySelector("svg");
  const curves = [...svg.querySelectorAll("path[data-curve]")];
  if (curves.length === 0) continue;
  const reading = document.createElement("p");
  reading.className = "reading";
  const switches = document.createElement("div");
  switches.className = "switches";
  figure.querySelector("details").before(switches, reading);
  const names = new Set(curves.map((curve) => curve.dataset.curve));
  for (const name of names.size > 1 ? names : []) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    button.setAttribute("aria-pressed", "true");
    button.addEventListener("click", () => {
      const on = button.getAttribute("aria-pressed") !== "true";
      button.setAttribute("aria-pressed", String(on));
      for (const curve of curves) if (curve.dataset.curve === name) curve.style.display = on ? "" : "none";
    });
    switches.append(button);
  }
  const points = curves.map((curve) =>
    curve.getAttribute("d").split(/[ML]/).filter(Boolean).map((pair) => pair.trim().split(" ").map(Number)));
  const { left, right, low, high } = svg.dataset;
  const read = (event) => {
    const box = svg.getBoundingClientRect();
    const scale = svg.viewBox.baseVal.width / box.width;
    const x = (event.clientX - box.left) * scale;
    const y = (event.clientY - box.top) * scale;
    const hz = low * Math.pow(high / low, (x - left) / (right - left));
    const values = curves.flatMap((curve, k) => {
      const { top, bottom, topDb, perDb } = curve.parentElement.dataset;
      if (y < top || y > bottom || curve.style.display === "none") return [];
      const nearest = points[k].reduce((a, b) => (Math.abs(b[0] - x) < Math.abs(a[0] - x) ? b : a), [Infinity, NaN]);
      const db = topDb - (nearest[1] - top) / perDb;
      return Math.abs(nearest[0] - x) < 8 ? [`${curve.dataset.curve} ${db.toFixed(1)} dB`] : [];
    });
    reading.textContent = values.length > 0 ? `${Number(hz.toPrecision(3))} Hz: ${values.join("; ")}` : "";
  };
  svg.addEventListener("pointermove", read);
  svg.addEventListener("pointerdown", read);
}
