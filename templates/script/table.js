// Tables are sorted by a click on a head; rows that continue another stay behind it, and each row its head.
const value = (text) => {
  const bare = text.replace(/[\u202f\u00a0]/g, "").replace("−", "-").replace(",", ".");
  if (/^\d{4}-\d\d/.test(bare)) return NaN; // a date sorts as a text
  const found = bare.match(/^[^\d-]{0,3}(-?\d+(?:\.\d+)?)/);
  return found ? Number(found[1]) : NaN;
};
// Heads of single columns by their column: a head may span several, and rows of heads.
const columnHeads = (rows) => {
  const taken = [...rows].map(() => []), heads = new Map();
  [...rows].forEach((row, r) => {
    let column = 0;
    for (const cell of row.cells) {
      while (taken[r][column]) column += 1;
      for (let down = 0; down < cell.rowSpan; down += 1) {
        for (let across = 0; across < cell.colSpan; across += 1) taken[r + down][column + across] = true;
      }
      if (cell.colSpan === 1) heads.set(column, cell);
      column += cell.colSpan;
    }
  });
  return heads;
};
const isSortable = (table) => table.tHead && table.tBodies.length === 1 && table.tBodies[0].rows.length > 2
  && ![...table.tBodies[0].rows].some((row) => [...row.cells].some((cell) => cell.rowSpan > 1));
const sortRows = (table, column, upward) => {
  const groups = [];
  for (const row of table.tBodies[0].rows) {
    if (row.classList.contains("continued") && groups.length) groups[groups.length - 1].push(row); else groups.push([row]);
  }
  const text = ([row]) => (row.cells[column] ? row.cells[column].textContent.trim() : "");
  const empty = (group) => text(group) === "" || text(group) === "–";
  const numeric = groups.every((group) => empty(group) || Number.isFinite(value(text(group))));
  const compare = (a, b) => (numeric ? value(text(a)) - value(text(b)) : text(a).localeCompare(text(b), language, { numeric: true }));
  // What has no value comes last, whichever way.
  groups.sort((a, b) => empty(a) - empty(b) || (empty(a) ? 0 : upward ? compare(a, b) : compare(b, a)));
  for (const group of groups) table.tBodies[0].append(...group);
};
// A label that stands for the rows below it is written into each, since sorting parts them.
const labelRows = (table) => {
  let label = "";
  for (const row of table.tBodies[0].rows) {
    const [first] = row.cells;
    if (row.classList.contains("continued") || !first) continue;
    if (first.textContent.trim()) label = first.textContent.trim(); else first.textContent = label;
  }
};
const makeSortable = (table) => {
  const heads = columnHeads(table.tHead.rows);
  for (const [column, head] of heads) {
    const label = head.textContent.trim();
    if (!label || label === "–") continue;
    head.textContent = "";
    const made = button(label, `${say("sort by")} ${label}`, head, () => {
      const upward = head.getAttribute("aria-sort") !== "ascending";
      for (const other of heads.values()) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", upward ? "ascending" : "descending");
      if (table.classList.contains("axis-modes")) labelRows(table);
      sortRows(table, column, upward);
    });
    made.className = "sorts";
  }
};
const sortTables = () => { for (const table of document.querySelectorAll("table.wide")) if (isSortable(table)) makeSortable(table); };
