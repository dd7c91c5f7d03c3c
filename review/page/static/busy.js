// A form that takes its time says that it was sent: the button that was pressed is marked as busy
// (see page.css). Forms that a script of their own sends do so themselves.
"use strict";
document.addEventListener("submit", (event) => {
  if (event.defaultPrevented || !event.submitter) return;
  setTimeout(() => event.submitter.setAttribute("aria-busy", "true"), 200);
});
// Back on a screen that the browser had kept.
window.addEventListener("pageshow", () => {
  for (const button of document.querySelectorAll('[aria-busy="true"]')) button.removeAttribute("aria-busy");
});

// What an address leads to is unfolded, with all that it lies in.
const unfold = () => {
  const id = decodeURIComponent(location.hash.slice(1));
  for (let one = id && document.getElementById(id); one; one = one.parentElement) {
    if (one.tagName === "DETAILS") one.open = true;
  }
};
addEventListener("hashchange", unfold);
unfold();
