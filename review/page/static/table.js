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
  // On a phone the headings are away: one list sorts instead.
  const label = document.createElement("label");
  label.className = "sort";
  label.append("Sort ");
  const list = document.createElement("select");
  const heads = [...table.querySelectorAll("thead button")];
  list.append(...heads.map((head) => new Option(head.textContent)));
  list.addEventListener("change", () => {
    const head = heads[list.selectedIndex];
    head.closest("th").removeAttribute("aria-sort");
    head.click();
  });
  label.append(list);
  form.querySelector("output").before(label);
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

// What can be done with picked swings is unfolded as soon as one is picked.
const pick = document.getElementById("pick");
pick?.addEventListener("change", (event) => {
  const tools = document.getElementById("with-picked");
  if (tools && event.target.name === "seq" && event.target.checked) tools.open = true;
});
