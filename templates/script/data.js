// The rows behind the figures: packed once a page, unpacked here, written as CSV where a reader asks for it.
const DATA = new Map();

const inflate = async (text) => {
  const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
};
const together = (bytes, count, size) => {
  const whole = new Uint8Array(count * size);
  for (let weight = 0; weight < size; weight += 1) {
    for (let i = 0; i < count; i += 1) whole[i * size + weight] = bytes[weight * count + i];
  }
  return new DataView(whole.buffer);
};
const unpack = async ([kind, count, places, text]) => {
  const size = kind === "double" ? 8 : 4, view = together(await inflate(text), count, size), values = new Float64Array(count);
  const single = new DataView(new ArrayBuffer(4));
  let last = 0;
  for (let i = 0; i < count; i += 1) {
    if (kind === "double") { values[i] = view.getFloat64(8 * i, true); continue; }
    if (kind === "single") { values[i] = view.getFloat32(4 * i, true); continue; }
    last += view.getInt32(4 * i, true);
    if (kind === "decimal") { values[i] = last / 10 ** places; continue; }
    single.setInt32(0, last);
    values[i] = single.getFloat32(0);
  }
  return values;
};
// The table of packed arrays that a page carries within it; null where it carries none.
const ownTable = () => {
  const node = document.getElementById("figure-data");
  return node ? JSON.parse(node.textContent) : null;
};
// False where the browser cannot unpack: then figures read the drawing, and say so.
const unpackAll = async (table) => {
  if (!table || typeof DecompressionStream === "undefined") return false;
  const packed = Object.entries(table).filter(([name]) => !DATA.has(name));
  await Promise.all(packed.map(async ([name, array]) => DATA.set(name, await unpack(array))));
  return true;
};

// RFC 4180. A number in single precision has at most nine digits that tell it from its neighbours; seven are its own.
const plain = (value, exact) => (Number.isFinite(value) ? String(exact ? value : Number(value.toPrecision(7))) : "");
const quoted = (text) => (/[",\r\n]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text);
const headed = (name, unit) => (unit ? `${name} [${unit}]` : name);

// Curves over the same abscissa share its column; a limit that is no row of a log is read at the rows of the first.
const columnsOf = (panels) => {
  const groups = new Map();
  const all = panels.flatMap((panel) => panel.lines.map((line) => ({ line, panel })));
  const leads = all.filter(({ line }) => line.sampled);
  for (const { line, panel } of leads.length ? leads : all) {
    if (!groups.has(line.xName)) groups.set(line.xName, { xs: line.xs, columns: [] });
    groups.get(line.xName).columns.push({ line, panel, at: (i) => line.ys[i] });
  }
  const first = groups.values().next().value;
  for (const { line, panel } of leads.length ? all.filter((each) => !each.line.sampled) : []) {
    first.columns.push({ line, panel, at: (i) => between(line, first.xs[i], panel) });
  }
  return [...groups.values()];
};
const csvOf = (panels) => {
  const groups = columnsOf(panels), [{ xname, xunit }] = panels;
  const names = groups.flatMap(({ columns }, k) => [
    headed(groups.length > 1 ? `${xname} ${columns[0].line.label}` : xname, xunit),
    ...columns.map(({ line, panel }) => headed(line.column, panel.yunit)),
  ]);
  const counted = new Map();
  const unique = names.map((name) => {
    counted.set(name, (counted.get(name) || 0) + 1);
    return counted.get(name) > 1 ? `${name} (${counted.get(name)})` : name;
  });
  const rows = [unique.map(quoted).join(",")];
  for (let i = 0; i < Math.max(...groups.map(({ xs }) => xs.length)); i += 1) {
    rows.push(groups.flatMap(({ xs, columns }) => (i < xs.length
      ? [plain(xs[i], true), ...columns.map((each) => plain(each.at(i), false))]
      : ["", ...columns.map(() => "")])).join(","));
  }
  return `${rows.join("\r\n")}\r\n`;
};
const download = (name, text) => {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/csv;charset=utf-8" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
};
