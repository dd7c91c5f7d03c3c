// Wide tables on a narrow screen: each row becomes a block, each number with its heading before it
// (see .cards in page.css). Without this script such a table is moved sideways.
"use strict";
const makeCards = (root) => {
  for (const table of root.querySelectorAll("table[data-cards]")) {
    const heads = [...table.tHead.rows[0].cells];
    // A table that is shown otherwise is no table any more to a screen reader unless it is said.
    table.setAttribute("role", "table");
    for (const part of [table.tHead, ...table.tBodies]) part.setAttribute("role", "rowgroup");
    for (const row of table.rows) {
      row.setAttribute("role", "row");
      [...row.cells].forEach((cell, k) => {
        const top = row.parentElement === table.tHead;
        cell.setAttribute("role", top ? "columnheader" : cell.tagName === "TH" ? "rowheader" : "cell");
        const named = !top && cell.colSpan === 1 && cell.tagName === "TD" && heads[k] && heads[k].dataset.bare === undefined;
        if (named && cell.textContent.trim()) cell.dataset.label = heads[k].textContent.trim();
      });
    }
    table.classList.add("cards");
  }
};
makeCards(document);
document.addEventListener("arrived", (event) => makeCards(event.target));
