// Work that takes its time: looked at again until it is over, then on to where it is to be seen.
"use strict";
const work = document.getElementById("work");
const EVERY_MS = 500;
const look = async () => {
  try {
    const answer = await fetch(work.dataset.again, { headers: { accept: "text/html" } });
    if (answer.ok) {
      const whole = new DOMParser().parseFromString(await answer.text(), "text/html");
      const now = whole.querySelector("[data-state]");
      if (now.dataset.state === "over") {
        if ("reload" in work.dataset) return location.reload();
        if (now.dataset.url && !now.querySelector("li")) return location.replace(now.dataset.url);
        work.replaceChildren(now);
        return;
      }
      // What didn't change stays, so that it is read aloud once.
      for (const fresh of now.querySelectorAll("[data-part]")) {
        const old = work.querySelector(`[data-part="${fresh.dataset.part}"]`);
        if (old.outerHTML !== fresh.outerHTML) old.replaceWith(fresh);
      }
    }
  } catch {
    // The program may have ended; it is asked again.
  }
  setTimeout(look, EVERY_MS);
};
if (work?.dataset.again) setTimeout(look, EVERY_MS);
