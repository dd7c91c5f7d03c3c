// Two swings moved by one slider: an arc of the measured turn for each, and how far each is on its
// way. Only what was measured is drawn; between samples the line is straight.
"use strict";
const source = document.getElementById("pair-data");
if (source) {
  const swings = JSON.parse(source.textContent);
  const slider = document.getElementById("pair-time");
  const shown = document.getElementById("pair-at");
  const play = document.getElementById("pair-play");
  const speed = document.getElementById("pair-speed");
  const cursors = () => document.querySelectorAll("[data-cursor]");
  const reduce = matchMedia("(prefers-reduced-motion: reduce)");

  const at = (xs, ys, x) => {
    if (!xs.length || x < xs[0] || x > xs[xs.length - 1]) return null;
    let low = 0, high = xs.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (xs[middle] <= x) low = middle; else high = middle;
    }
    const a = ys[low], b = ys[high];
    if (a === null || b === null) return null;
    const share = xs[high] > xs[low] ? (x - xs[low]) / (xs[high] - xs[low]) : 0;
    return a + share * (b - a);
  };

  const arc = (turn, left) => {
    // From straight down, away from the target: to the left as one looks at a right-hander.
    const sign = left ? 1 : -1;
    const r = 80, end = (turn * Math.PI) / 180;
    const x = sign * r * Math.sin(end), y = r * Math.cos(end);
    const large = turn > 180 ? 1 : 0;
    return { path: `M0 ${r}A${r} ${r} 0 ${large} ${left ? 0 : 1} ${x.toFixed(2)} ${y.toFixed(2)}`, x, y };
  };

  const where = (swing, ms) => {
    const e = swing.events_ms;
    if (e.takeaway === null) return "takeaway not measured";
    if (ms < -0.5) return "before takeaway";
    if (e.top === null) return "";
    if (Math.abs(ms - e.top) <= 0.5) return "at the top";
    if (ms < e.top) return `${Math.round((100 * ms) / e.top)} % of its way back`;
    if (e.impact === null) return "coming down";
    if (Math.abs(ms - e.impact) <= 0.5) return "at impact";
    if (ms < e.impact) return `${Math.round((100 * (ms - e.top)) / (e.impact - e.top))} % of its way down`;
    return "past impact";
  };

  const show = () => {
    const t = Number(slider.value);
    const words = `${Math.round(t)} ms`.replace("-", "−");
    shown.textContent = words;
    swings.forEach((swing, k) => {
      const ms = t + swing.shift_ms;
      const turn = at(swing.time_ms, swing.turn_deg, ms);
      const figure = document.getElementById(`arc-${k}`);
      const drawn = arc(Math.max(0, Math.min(359, turn ?? 0)), swing.left);
      figure.querySelector(".now").setAttribute("d", turn === null ? "" : drawn.path);
      const hand = figure.querySelector(".hand");
      hand.setAttribute("cx", drawn.x.toFixed(2));
      hand.setAttribute("cy", drawn.y.toFixed(2));
      hand.setAttribute("visibility", turn === null ? "hidden" : "visible");
      document.getElementById(`turn-${k}`).textContent =
        turn === null ? "not measured here" : `${turn.toFixed(0)}°`;
      document.getElementById(`where-${k}`).textContent = where(swing, ms);
    });
    for (const line of cursors()) {
      const [x0, x1, low, high] = line.dataset.cursor.split(" ").map(Number);
      const x = x0 + ((t - low) / (high - low)) * (x1 - x0);
      line.setAttribute("x1", x.toFixed(1));
      line.setAttribute("x2", x.toFixed(1));
      line.setAttribute("visibility", t < low || t > high ? "hidden" : "visible");
    }
    const far = swings.map((s, k) => `${s.name}: ${document.getElementById(`where-${k}`).textContent}`);
    slider.setAttribute("aria-valuetext", `${words}. ${far.join("; ")}`);
  };

  let running = null;
  const stop = () => {
    cancelAnimationFrame(running);
    running = null;
    play.textContent = "Play";
  };
  play.addEventListener("click", () => {
    if (running !== null) { stop(); return; }
    const low = Number(slider.min), high = Number(slider.max);
    if (Number(slider.value) >= high) slider.value = low;
    const from = Number(slider.value), began = performance.now(), rate = Number(speed.value);
    play.textContent = "Pause";
    const step = (now) => {
      const t = from + (now - began) * rate;
      slider.value = Math.min(t, high);
      show();
      if (t >= high) stop(); else running = requestAnimationFrame(step);
    };
    running = requestAnimationFrame(step);
  });
  speed.addEventListener("change", () => { if (running !== null) { stop(); play.click(); } });
  slider.addEventListener("input", () => { if (running !== null) stop(); show(); });
  if (reduce.matches) speed.value = "0.25";
  show();
}
