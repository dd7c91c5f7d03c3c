// Drag the events of a swing along its curves; what is dragged is typed into the form below, and
// nothing is kept before the form is. Without this script the form alone does the same.
"use strict";
const figure = document.getElementById("curves");
const form = document.querySelector(".events-form");
if (figure && form) {
  const origin = Number(figure.dataset.origin);
  const charts = [...figure.querySelectorAll("svg.drawing")].map((svg) => {
    const [x0, x1, low, high] = svg.querySelector("[data-cursor]").dataset.cursor.split(" ").map(Number);
    return { svg, px: (ms) => x0 + ((ms - low) / (high - low)) * (x1 - x0), ms: (px) => low + ((px - x0) / (x1 - x0)) * (high - low), x0, x1 };
  });
  const place = (name, ms) => {
    for (const chart of charts) {
      const px = chart.px(ms).toFixed(1);
      const line = chart.svg.querySelector(`line.event.${name}`);
      if (!line) continue;
      for (const one of [line, chart.svg.querySelector(`line.grip.${name}`)]) {
        one.setAttribute("x1", px);
        one.setAttribute("x2", px);
      }
      chart.svg.querySelector(`text.event-name.${name}`)?.setAttribute("x", px);
    }
  };
  for (const chart of charts) {
    for (const line of [...chart.svg.querySelectorAll("line.event")]) {
      const name = ["takeaway", "top", "impact", "finish"].find((n) => line.classList.contains(n));
      const input = form.elements[name];
      const grip = line.cloneNode(true);
      grip.setAttribute("class", `grip ${name}`);
      line.after(grip);
      const there = (event) => {
        const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(chart.svg.getScreenCTM().inverse());
        return chart.ms(Math.max(chart.x0, Math.min(chart.x1, point.x)));
      };
      grip.addEventListener("pointerdown", (event) => {
        grip.setPointerCapture(event.pointerId);
        grip.classList.add("held");
        event.preventDefault();
      });
      grip.addEventListener("pointermove", (event) => {
        if (!grip.hasPointerCapture(event.pointerId)) return;
        const ms = there(event);
        place(name, ms);
        input.value = (origin + ms / 1000).toFixed(3);
        input.classList.add("moved");
      });
      grip.addEventListener("pointerup", () => grip.classList.remove("held"));
    }
  }
  for (const input of form.querySelectorAll("[data-event]")) {
    // Up and down move an event by a millisecond, with Shift by ten.
    input.addEventListener("keydown", (event) => {
      const step = { ArrowUp: 0.001, ArrowDown: -0.001 }[event.key];
      if (!step || !input.value) return;
      input.value = (Number(input.value) + step * (event.shiftKey ? 10 : 1)).toFixed(3);
      input.dispatchEvent(new Event("input", { bubbles: true }));
      event.preventDefault();
    });
    input.addEventListener("input", () => {
      const at = Number(input.value.replace(",", "."));
      if (input.value && Number.isFinite(at)) place(input.dataset.event, 1000 * (at - origin));
      input.classList.add("moved");
    });
  }
  figure.querySelector(".hint").hidden = false;
}
