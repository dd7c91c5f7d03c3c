// On the wall two swings move by themselves, as lanes.js moves them.
"use strict";
// What is being recorded: whenever there is a new swing it is fetched and takes the other's place.
const main = document.getElementById("main");
if (main.dataset.live) {
  const line = document.getElementById("line");
  const QUIET_MS = 12000; // three signs of life that didn't come: the line is dead
  let events = null, heard = 0, shown = main.dataset.stand;
  const alive = () => { heard = Date.now(); line.textContent = ""; };
  const cut = () => { line.textContent = "No line to the computer: trying again."; };
  // Who was asked to leave is told so by the computer, and by nothing that goes on trying.
  const endIfOut = async () => {
    try {
      if ((await fetch("/wall", { method: "HEAD" })).status === 403) location.reload();
    } catch { /* No line: nobody said so. */ }
  };
  const fetchShown = async (stand) => {
    try {
      const answer = await fetch("/wall/shown", { headers: { accept: "text/html" } });
      if (!answer.ok) throw new Error(answer.status);
      const whole = new DOMParser().parseFromString(await answer.text(), "text/html");
      main.replaceChildren(...whole.body.childNodes);
      turnLanes();
    } catch {
      shown = shown === stand ? null : shown;
      cut();
    }
  };
  const follow = () => {
    events?.close();
    heard = Date.now();
    events = new EventSource(main.dataset.live);
    events.addEventListener("alive", alive);
    events.addEventListener("error", () => { cut(); endIfOut(); });
    events.addEventListener("wall", (event) => {
      alive();
      if (event.data === shown) return;
      shown = event.data;
      fetchShown(shown);
    });
  };
  setInterval(() => {
    if (events.readyState === EventSource.CLOSED || Date.now() - heard > QUIET_MS) { cut(); follow(); }
    else if (shown === null) follow();
  }, 2000);
  follow();
}
still.addEventListener("change", turnLanes);
turnLanes();
