// Sort a table by its column buttons, and filter its rows by words and kinds. Without this script
// the table is whole and in the order of time.
"use strict";
for (const table of document.querySelectorAll("table[data-sortable]")) {
  const body = table.tBodies[0];
  const value = (row, k) => {
    const cell = row.cells[k];
    const raw = cell.dataset.value;
    if (raw === undefined) return cell.textContent.trim().toLocaleLowerCase();
    return raw === "" ? null : Number(raw);
  };
  table.querySelectorAll("thead th").forEach((head, k) => {
    const button = head.querySelector("button");
    if (!button) return;
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      for (const other of table.querySelectorAll("thead th")) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const rows = [...body.rows];
      rows.sort((a, b) => {
        const x = value(a, k), y = value(b, k);
        // What was not measured stays at the end either way.
        if (x === null || y === null) return (x === null) - (y === null);
        const order = typeof x === "number" ? x - y : String(x).localeCompare(String(y));
        return up ? order : -order;
      });
      body.append(...rows);
    });
  });
  const form = document.querySelector(`form[data-filters="${table.id}"]`);
  if (!form) continue;
  const said = form.querySelector("output");
  const apply = () => {
    const words = (form.elements.words?.value || "").toLocaleLowerCase().split(/\s+/).filter(Boolean);
    const kind = form.elements.kind?.value || "";
    let shown = 0;
    for (const row of body.rows) {
      const text = row.textContent.toLocaleLowerCase();
      const fits = words.every((w) => text.includes(w)) && (!kind || row.dataset.kind === kind);
      row.hidden = !fits;
      shown += fits;
    }
    if (said) said.textContent = `${shown} of ${body.rows.length} shown`;
  };
  form.addEventListener("input", apply);
  form.addEventListener("submit", (event) => event.preventDefault());
  apply();
}
