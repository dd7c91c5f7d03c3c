// Served by the page itself, the manual leads back to it; opened as a file there is nowhere to go.
if (location.pathname.startsWith("/help")) document.querySelector(".back").hidden = false;
// On a phone the list of pages starts folded.
if (matchMedia("(max-width: 50rem)").matches) document.querySelector("nav details").open = false;
// A table wider than the screen scrolls; so it does by keyboard.
for (const one of document.querySelectorAll("table")) if (one.scrollWidth > one.clientWidth) one.tabIndex = 0;
