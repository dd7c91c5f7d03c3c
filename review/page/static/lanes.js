// Two swings on one scale of turn, moved to any moment. What was worked out for the page is drawn,
// by the words that came with it; in between it is straight. Used by the coach's screen and the wall.
"use strict";
const readLanes = (source) => {
  const data = JSON.parse(source.textContent);
  const root = source.closest("[data-answer]");
  const lanes = data.swings.map((swing, k) => ({
    swing,
    mark: root.querySelector(`#lane-${k} .lane-mark`),
    track: root.querySelector(`#lane-${k} .lane-track`),
    turn: root.querySelector(`#turn-${k}`),
    where: root.querySelector(`#where-${k}`),
  }));

  const at = (ys, x) => {
    const xs = data.time_ms;
    if (x < xs[0] || x > xs[xs.length - 1]) return null;
    let low = 0, high = xs.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (xs[middle] <= x) low = middle; else high = middle;
    }
    if (x === xs[high]) return ys[high];
    if (x === xs[low]) return ys[low];
    const a = ys[low], b = ys[high];
    if (a === null || b === null) return null;
    return a + ((x - xs[low]) / (xs[high] - xs[low])) * (b - a);
  };

  const where = (swing, ms) => {
    const e = swing.events_ms, words = data.words;
    if (e.takeaway !== null && ms < e.takeaway) return words.before;
    if (e.impact !== null && ms > e.impact) return words.past;
    const way = at(swing.way, ms);
    if (way === null) return words.unknown;
    const percent = Math.round(100 * (way < 1 ? way : way - 1));
    if (way < 1) return words.back.replace("{}", percent);
    if (percent === 0) return words.top;
    return way >= 2 ? words.impact : words.down.replace("{}", percent);
  };

  const show = (ms) => lanes.map((lane) => {
    // Once past its impact a swing turns on: its mark stays where the ball was.
    const impact = lane.swing.events_ms.impact;
    const past = impact !== null && ms > impact;
    const turn = at(lane.swing.turn_deg, past ? impact : ms);
    const said = where(lane.swing, ms);
    lane.mark.setAttribute("visibility", turn === null ? "hidden" : "visible");
    lane.mark.classList.toggle("past", past);
    if (turn !== null) {
      const share = Math.min(Math.max((100 * turn) / data.full_deg, 0), 100);
      lane.mark.setAttribute("x", `${share.toFixed(2)}%`);
    }
    lane.turn.textContent = turn === null ? "–" : `${turn.toFixed(0)}°`;
    if (lane.where) lane.where.textContent = said;
    return said;
  });

  return { show, data, lanes };
};

// Two swings that move by themselves, round and round at half speed, and stand still at each impact
// for as long as it takes to read. For whom motion is too much they stand at the first impact.
const HALF = 0.5;
const STAND_MS = 3000;
const still = matchMedia("(prefers-reduced-motion: reduce)");
let turning = null;
const turnLanes = () => {
  cancelAnimationFrame(turning);
  const source = document.getElementById("pair-data");
  if (!source) return;
  const { show, data } = readLanes(source);
  const said = data.swings.map((_, k) => document.getElementById(`stop-${k}`));
  const stand = (lane) => said.forEach((one, k) => { one.textContent = k === lane ? data.words.stand : ""; });
  const low = data.time_ms[0], high = data.time_ms[data.time_ms.length - 1];
  if (still.matches) return;
  // It opens standing at the moment, as without a script, and goes on from its start.
  let t = data.moment_ms, stands = STAND_MS, before = performance.now(), first = true;
  const step = (now) => {
    const passed = Math.min(Math.max(0, now - before), 100);
    before = now;
    if (stands > 0) {
      stands -= passed;
      if (stands <= 0) {
        stand(null);
        if (first) { t = low; first = false; }
      }
    } else {
      const next = t + passed * HALF;
      const stop = data.stops.find(([at]) => t < at && at <= next);
      t = stop ? stop[0] : next;
      if (stop) { stands = STAND_MS; stand(stop[1]); }
      if (t >= high) t = low;
    }
    if (!first) show(t);
    turning = requestAnimationFrame(step);
  };
  turning = requestAnimationFrame(step);
};
