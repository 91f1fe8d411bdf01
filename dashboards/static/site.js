"use strict";

// Draws the charts whose text lies in the page, lets tables be sorted by a heading and long ones be searched.
// The page is whole without it: every figure is also in a table.

const LONG_TABLE = 15;

async function drawChart(place) {
  const spec = JSON.parse(place.querySelector("script").textContent);
  const target = document.createElement("div");
  target.className = "drawn";
  place.append(target);
  try {
    // `ast` runs expressions without eval, which the page's security policy forbids.
    await vegaEmbed(target, spec, { mode: "vega-lite", renderer: "svg", actions: false, ast: true, defaultStyle: true });
    place.dataset.state = "drawn";
  } catch (error) {
    place.dataset.state = "failed";
    target.textContent = "This chart could not be drawn; its figures are in the table.";
    console.error(error);
  }
}

async function drawCharts() {
  for (const place of document.querySelectorAll(".chart")) {
    await drawChart(place);
  }
  document.documentElement.dataset.charts = "ready";
}

function sortValue(row, index) {
  const cell = row.cells[index];
  const given = cell.dataset.sort ?? cell.textContent.trim();
  const number = Number(given);
  return given === "" || given === "–" ? null : Number.isNaN(number) ? given : number;
}

function compare(a, b) {
  if (a === null || b === null) {
    return a === b ? 0 : a === null ? 1 : -1;
  }
  if (typeof a === "number" && typeof b === "number") {
    return a - b;
  }
  return String(a).localeCompare(String(b), "en", { numeric: true });
}

function sortTable(table, index, heading) {
  const falls = heading.getAttribute("aria-sort") === "ascending";
  const rows = [...table.tBodies[0].rows];
  const keyed = rows.map((row) => [sortValue(row, index), row]);
  keyed.sort(([a], [b]) => (a === null || b === null || !falls ? compare(a, b) : compare(b, a)));
  table.tBodies[0].append(...keyed.map(([, row]) => row));
  for (const other of table.tHead.rows[0].cells) {
    other.removeAttribute("aria-sort");
  }
  heading.setAttribute("aria-sort", falls ? "descending" : "ascending");
}

function makeSortable(table) {
  [...table.tHead.rows[0].cells].forEach((heading, index) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...heading.childNodes);
    button.addEventListener("click", () => sortTable(table, index, heading));
    heading.append(button);
  });
}

function makeSearchable(table) {
  const label = document.createElement("label");
  label.className = "search";
  label.append("Find in this table ");
  const field = document.createElement("input");
  field.type = "search";
  field.addEventListener("input", () => {
    const wanted = field.value.trim().toLowerCase();
    for (const row of table.tBodies[0].rows) {
      row.hidden = wanted !== "" && !row.textContent.toLowerCase().includes(wanted);
    }
  });
  label.append(field);
  table.closest(".scroll").before(label);
}

for (const table of document.querySelectorAll("main table")) {
  if (table.tBodies[0].rows.length > 2) {
    makeSortable(table);
  }
  if (table.tBodies[0].rows.length > LONG_TABLE) {
    makeSearchable(table);
  }
}
drawCharts();
