// What a coach needs at any moment, also from the keys of any keyboard or presenter: PageUp holds and
// goes on, PageDown leaves the last swing out (and takes that back), B shows it again.
"use strict";
const BAR_KEYS = { PageUp: "hold", PageDown: "not-that", b: "again", B: "again" };
const typing = (one) => one?.closest?.("input:not([type=hidden], [type=checkbox], [type=radio]), textarea, select, [contenteditable]");

document.addEventListener("keydown", (event) => {
  const name = BAR_KEYS[event.key];
  if (!name || event.ctrlKey || event.altKey || event.metaKey || typing(event.target)) return;
  const button = document.getElementById(name);
  // On a wall there are no buttons: it asks by itself. While nothing runs the keys scroll as ever.
  const wall = document.querySelector("main[data-live]");
  if (!button && !wall) return;
  event.preventDefault();
  if (event.repeat) return;
  if (button) { button.click(); return; }
  fetch(`/range/${name}`, {
    method: "POST",
    headers: { accept: "application/json", "content-type": "application/x-www-form-urlencoded" },
    body: "x=",
  }).catch(() => {});
});
