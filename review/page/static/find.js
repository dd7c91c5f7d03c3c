// Show the players whose name has all the words that are typed.
"use strict";
for (const form of document.querySelectorAll("form[data-find]")) {
  const items = [...document.getElementById(form.dataset.find).children];
  const said = form.querySelector("output");
  const apply = () => {
    const words = form.elements.words.value.toLocaleLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const item of items) {
      const name = item.dataset.name.toLocaleLowerCase();
      item.hidden = !words.every((word) => name.includes(word));
      shown += !item.hidden;
    }
    said.textContent = words.length ? `${shown} of ${items.length} shown` : "";
  };
  form.addEventListener("input", apply);
  form.addEventListener("submit", (event) => event.preventDefault());
  apply();
}
