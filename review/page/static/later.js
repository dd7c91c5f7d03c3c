// Parts of a screen that were not worked out yet when it was sent: ask for each, one after another.
"use strict";
const parts = [...document.querySelectorAll("[data-later]")];
// The place that the address names may have come with the part.
const aim = (part) => {
  const place = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (!place || !part.contains(place)) return;
  unfold();
  place.scrollIntoView();
};
const load = async () => {
  for (const part of parts) {
    try {
      const answer = await fetch(part.dataset.later, { headers: { accept: "text/html" } });
      const text = await answer.text();
      if (!answer.ok) throw new Error(String(answer.status));
      const whole = new DOMParser().parseFromString(text, "text/html");
      part.replaceChildren(...whole.body.childNodes);
    } catch {
      // What is there already without it stays.
      if (part.dataset.keep === undefined) part.textContent = "This part could not be loaded: load the page again.";
    }
    part.removeAttribute("data-later");
    part.removeAttribute("aria-busy");
    part.dispatchEvent(new Event("arrived", { bubbles: true }));
    aim(part);
  }
};
if (parts.length) load();
