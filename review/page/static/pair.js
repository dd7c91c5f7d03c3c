// The coach's two swings: moved by a slider or by a press, at half speed unless told otherwise.
"use strict";
const source = document.getElementById("pair-data");
if (source) {
  const { show, data } = readLanes(source);
  const slider = document.getElementById("pair-time");
  const shown = document.getElementById("pair-at");
  const play = document.getElementById("pair-play");
  const speed = document.getElementById("pair-speed");
  const cursors = () => document.querySelectorAll("[data-cursor]");

  const move = (t) => {
    const words = `${(t / 1000).toFixed(2)} s`.replace("-", "−");
    shown.textContent = words;
    const places = show(t);
    for (const line of cursors()) {
      const [x0, x1, low, high] = line.dataset.cursor.split(" ").map(Number);
      const x = x0 + ((t - low) / (high - low)) * (x1 - x0);
      line.setAttribute("x1", x.toFixed(1));
      line.setAttribute("x2", x.toFixed(1));
      line.setAttribute("visibility", t < low || t > high ? "hidden" : "visible");
    }
    slider.setAttribute("aria-valuetext", `${words}. ${places.join("; ")}`);
  };

  let running = null;
  // Until it is touched the picture stands at the moment: then a press shows how it came to that.
  let opened = true;
  const stop = () => {
    cancelAnimationFrame(running);
    running = null;
    play.textContent = "Play";
  };
  play.addEventListener("click", () => {
    if (running !== null) { stop(); return; }
    const low = Number(slider.min), high = Number(slider.max);
    if (opened || Number(slider.value) >= high) slider.value = low;
    opened = false;
    const from = Number(slider.value), began = performance.now(), rate = Number(speed.value);
    play.textContent = "Pause";
    const step = (now) => {
      const t = from + Math.max(0, now - began) * rate;
      slider.value = Math.min(t, high);
      move(Number(slider.value));
      if (t >= high) stop(); else running = requestAnimationFrame(step);
    };
    running = requestAnimationFrame(step);
  });
  speed.addEventListener("change", () => { if (running !== null) { stop(); play.click(); } });
  slider.addEventListener("input", () => {
    if (running !== null) stop();
    opened = false;
    move(Number(slider.value));
  });
  // What the server wrote of the opening moment stays until something moves.
  for (const part of document.querySelectorAll(".player[hidden]")) part.hidden = false;
}
