// Parts of a screen that were not worked out yet when it was sent: ask for each, one after another.
"use strict";
const parts = [...document.querySelectorAll("[data-later]")];
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
  }
};
if (parts.length) load();
