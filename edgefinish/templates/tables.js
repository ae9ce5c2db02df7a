"use strict";
// Tables that sort by their headers and show only the rows that hold a word; without scripts they are plain tables.
(() => {
  const make = (tag, text) => { const e = document.createElement(tag); e.textContent = text; return e; };
  const words = (row, n) => row.cells[n].textContent.trim();
  function order(a, b) {
    const [x, y] = [a, b].map(word => parseFloat(word.replace("\u2212", "-")));
    if (x - y) return x - y;
    // What is blank or no number among numbers stands last.
    if (isNaN(x) !== isNaN(y)) return isNaN(x) ? 1 : -1;
    return a.localeCompare(b, undefined, {numeric: true});
  }
  for (const table of document.querySelectorAll("table.sorts:not([data-ready])")) {
    table.dataset.ready = "";
    const body = table.tBodies[0], rows = [...body.rows], heads = [...table.tHead.rows[0].cells];
    if (rows.length < 3) continue;
    heads.forEach((head, n) => {
      const button = make("button", head.textContent), arrow = make("span", "\u2195");
      button.type = "button";
      arrow.setAttribute("aria-hidden", "true");
      button.append(" ", arrow);
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        for (const other of heads) {
          other.removeAttribute("aria-sort");
          other.querySelector("span").textContent = "\u2195";
        }
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        arrow.textContent = down ? "\u2193" : "\u2191";
        rows.sort((a, b) => (down ? -1 : 1) * order(words(a, n), words(b, n)));
        body.append(...rows);
      });
      head.replaceChildren(button);
    });
    if (rows.length < 6) continue;
    const line = make("p", ""), label = make("label", "Rows that hold "), input = make("input", ""), said = make("span", "");
    line.className = "filter";
    said.setAttribute("role", "status");
    input.type = "search";
    input.addEventListener("input", () => {
      const wanted = input.value.trim().toLowerCase();
      for (const row of rows) row.hidden = !row.textContent.toLowerCase().includes(wanted);
      said.textContent = wanted ? ` ${rows.filter(r => !r.hidden).length} of ${rows.length}` : "";
    });
    label.append(input);
    line.append(label, said);
    table.before(line);
  }
})();
