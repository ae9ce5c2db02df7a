"use strict";
(() => {
  const data = JSON.parse(document.getElementById("explorer-data").textContent);
  const by = id => document.getElementById(id);
  const job = by("explorer-job"), controls = by("explorer-controls"), bar = by("explorer-bar");
  const make = (tag, text) => { const e = document.createElement(tag); e.textContent = text; return e; };

  // Which grid points stand for a place: itself, or the stricter neighbour, or both.
  function neighbours(axis, input) {
    const place = Number(input.value) / (axis.kind === "menu" ? 1 : data.finer), k = Math.floor(place);
    if (place === k) return [k];
    return {both: [k, k + 1], up: [k + 1], down: [k]}[axis.kind];
  }

  // The slider's own value, between two grid points as well.
  function value(axis, input) {
    const place = Number(input.value) / data.finer, k = Math.min(Math.floor(place), axis.numbers.length - 2);
    const number = axis.numbers[k] + (place - k) * (axis.numbers[k + 1] - axis.numbers[k]);
    return number.toFixed(axis.decimals) + "\u00a0" + axis.unit;
  }

  function answer() {
    const now = data.jobs[Number(job.value)], inputs = [...controls.querySelectorAll("input, select")];
    const picked = now.axes.map((axis, n) => neighbours(axis, inputs[n]));
    let cells = [[]], told = [];
    const changed = now.axes.filter((axis, n) => picked[n].some(k => k !== axis.own));
    now.axes.forEach((axis, n) => {
      cells = cells.flatMap(c => picked[n].map(k => [...c, k]));
      const words = picked[n].map(k => axis.words[k]), between = axis.kind !== "menu" && inputs[n].value % data.finer;
      const own = between ? value(axis, inputs[n]) : words[0];
      const said = own + (between ? ", taken as " + words.join(" and ") : "");
      inputs[n].setAttribute("aria-valuetext", said);
      inputs[n].nextElementSibling.textContent = said;
      if (between) told.push(axis.label + " " + said);
    });
    by("explorer-own").disabled = !changed.length;
    const found = cells.map(c => now.cells[c.join(" ")]), lost = found.some(c => !c);
    const none = lost ? undefined : found.find(c => c.no);
    let head, low, high, why = "", point = "", more = [];
    if (lost) {
      head = "Not computed";
      why = "Answers are there for " + now.together + " changes at a time at most. Changed now: " +
        changed.map(axis => axis.label).join(", ") + ". Set one of them back.";
    } else if (none) { head = none.no[0].toUpperCase() + none.no.slice(1); why = none.why; more = none.more; }
    else {
      low = found.reduce((a, b) => Number(b.low) > Number(a.low) ? b : a);
      high = found.reduce((a, b) => Number(b.high) < Number(a.high) ? b : a);
      if (Number(low.low) >= Number(high.high)) {
        head = "No window"; why = "The computed neighbours have no speed in common.";
        low = high = undefined;
      } else {
        head = low.low + " to " + high.high + " " + data.unit;
        point = found.length === 1 && !told.length ? "Set point " + low.point + " " + data.unit + ". " : "";
        more = [...new Set(found.flatMap(cell => cell.more))];
        why = (low.below ? "Low end: " + low.below + ". " : "") + (high.above ? "High end: " + high.above + "." : "");
      }
    }
    by("explorer-window").textContent = head;
    by("explorer-why").textContent = point + why;
    by("explorer-more").replaceChildren(...more.map(k => make("li", data.said[k])));
    by("explorer-safe").textContent = lost ? "" : told.length ?
      "Between computed points the safer neighbour is shown: " + told.join("; ") + "." : "Computed at this very point.";
    const at = v => 10 + 440 * (v - now.from) / (now.to - now.from);
    bar.setAttribute("x", low ? at(low.low) : 10);
    bar.setAttribute("width", low ? Math.max(2, at(high.high) - at(low.low)) : 0);
    by("explorer-from").textContent = now.ends[0];
    by("explorer-to").textContent = now.ends[1];
  }

  function build() {
    const now = data.jobs[Number(job.value)];
    controls.replaceChildren(...now.axes.map((axis, n) => {
      const row = document.createElement("p"), label = make("label", axis.label), said = make("span", "");
      const input = document.createElement(axis.kind === "menu" ? "select" : "input");
      label.htmlFor = input.id = "explorer-" + n;
      if (axis.kind === "menu") {
        axis.words.forEach((word, k) => { const o = make("option", word); o.value = k; input.append(o); });
        input.value = axis.own;
        said.hidden = true;
      } else {
        Object.assign(input, {type: "range", min: 0, max: data.finer * (axis.words.length - 1), step: 1});
        input.value = data.finer * axis.own;
      }
      input.addEventListener("input", answer);
      row.append(label, input, said);
      return row;
    }));
    answer();
  }

  data.jobs.forEach((j, k) => { const o = make("option", j.name); o.value = k; job.append(o); });
  job.addEventListener("input", build);
  by("explorer-own").addEventListener("click", () => { build(); job.focus(); });
  build();
  by("explorer").hidden = false;
})();
