// The curve of a channel, its resonances, and which of them is selected.
const NEAR = 7; // units of the drawing within which a click selects a mark
let curve = null; // the figure in view
let wanted = 0; // counts what was asked for, since answers may come out of turn

const choices = (select, ids, now, title = (id) => id) => {
  select.replaceChildren(...ids.map((id) => new Option(title(id), id, false, id === now)));
  select.disabled = !ids.length;
};
const withChannel = (id) => desk.state.runs.filter((run) => run.channels.some((each) => each.id === id));
const showChoices = () => {
  const { runs } = desk.state, run = runOf(desk.run);
  choices(at("run"), runs.map((each) => each.id), desk.run, (id) => runOf(id).title || id);
  choices(at("channel"), run ? run.channels.map((each) => each.id) : [], desk.channel, (id) => channelOf(desk.run, id).title || id);
  const others = withChannel(desk.channel).filter((each) => each.id !== desk.run);
  others.sort((a, b) => (b.axis === (run && run.axis)) - (a.axis === (run && run.axis)));
  choices(at("other"), ["", ...others.map((each) => each.id)], desk.other, (id) => (id ? runOf(id).title || id : say("none")));
};

const draw = (html) => keepFocus(at("figure"), () => put(html), at("open"));
const put = (html) => {
  const before = curve, unfolded = Boolean(at("figure").querySelector("details[open]"));
  if (before) before.close();
  at("figure").removeAttribute("aria-busy");
  // The one place where markup is put in: a figure that the server drew, as in the report.
  const parsed = new DOMParser().parseFromString(html, "text/html").querySelector("figure");
  at("figure").replaceChildren(...(parsed ? [document.adoptNode(parsed)] : []));
  curve = parsed && parsed.querySelector("svg") && (parsed.dataset.panels || "[]") !== "[]" ? new Figure(parsed) : null;
  if (curve && before && before.of === `${desk.run}/${desk.channel}`) curve.takeOver(before);
  if (curve) curve.of = `${desk.run}/${desk.channel}`;
  if (curve && unfolded) at("figure").querySelector("details").open = true;
  if (!curve) at("figure").textContent = say("no figure");
};
const showCurve = async () => {
  wanted += 1;
  const mine = wanted;
  showChoices();
  showResonances();
  // Until its own curve has come, a channel has none that could be read or decided on.
  if (curve && curve.of !== `${desk.run}/${desk.channel}`) at("figure").setAttribute("aria-busy", "true");
  if (!(channelOf(desk.run, desk.channel) || {}).has_figure) { if (curve) draw(""); at("figure").textContent = ""; return; }
  const found = await ask(`figure/${here()}${desk.other ? `?with=${encodeURIComponent(desk.other)}` : ""}`);
  if (mine !== wanted) return;
  if (found.status !== 200) { if (found.status !== 404) troubleOf(found); draw(""); return; }
  await unpackAll(found.answer.data).catch(() => false);
  if (mine !== wanted) return;
  draw(found.answer.html);
  showChosen();
};
// The place of an open item: that of the resonance within whose half-power bandwidth it lies, where there is one.
const itemPlace = (item) => {
  if (!item || item.run !== desk.run || item.channel !== desk.channel || !item.frequency_hz) return null;
  const off = (each) => Math.abs(each.frequency_hz - item.frequency_hz);
  const near = channelOf(desk.run, desk.channel).resonances.filter((each) => each.bandwidth_hz && off(each) <= each.bandwidth_hz / 2);
  return near.length ? near.reduce((a, b) => (off(b) < off(a) ? b : a)).frequency_hz : item.frequency_hz;
};
// Leads the cursor to what is selected, or to the place of an open item.
const showChosen = () => {
  const picked = pickedOf(desk.pick), place = picked ? picked.frequency_hz : itemPlace(itemOf(desk.item));
  if (!curve) return;
  const same = curve.chosen === (place || null);
  curve.chosen = place || null;
  if (place && !same) curve.show(place); else curve.refresh();
};

const stateWord = (each) => say(each.state === "open" && !desk.state.open.some((item) => item.resonance === each.id) ? "plain" : each.state);
const showResonances = () => {
  const channel = channelOf(desk.run, desk.channel), rows = channel ? channel.resonances : [];
  at("resonances").hidden = !rows.length;
  const held = document.activeElement && document.activeElement.dataset.resonance;
  at("resonances").tBodies[0].replaceChildren(...rows.map((each) => {
    const made = fill("resonance-row", { ...each, state: stateWord(each), mark: mark(each.id) });
    const picks = made.querySelector("button");
    picks.dataset.resonance = each.id;
    picks.setAttribute("aria-pressed", String(each.id === desk.pick));
    made.classList.toggle("rejected", each.state === "rejected");
    made.classList.toggle("changed", desk.changed.has(each.id));
    return made;
  }));
  if (held) refocus(held);
  reach();
  const points = [...((channel && channel.annotations) || []), ...((channel && channel.exclusions) || [])];
  lines(at("points"), points.map((each) => `${each.said}: ${each.text || each.reason} (${each.by})`));
};
const refocus = (id) => {
  const again = [...document.querySelectorAll(".picks")].find((each) => each.dataset.resonance === id);
  if (again) again.focus({ preventScroll: true });
};

const describe = () => {
  const picked = pickedOf(desk.pick), item = itemOf(desk.item), words = document.querySelector("#resonances thead").rows[0].cells;
  const told = item ? `${say(item.kind)}${placed(item) ? `, ${placed(item)}` : ""}: ${item.text}` : "";
  at("what").textContent = isResonance(picked) ? `${say("resonance")}, ${desk.run} · ${desk.channel}` : picked ? picked.text : told;
  facts(at("values"), isResonance(picked) ? [
    [words[0].textContent, picked.frequency], [words[1].textContent, picked.mode],
    [words[2].textContent, picked.q], [words[3].textContent, picked.amplification], [words[4].textContent, stateWord(picked)],
  ] : item ? [[say("where"), placeOf(item)], [say("remedy"), item.remedy]] : []);
  lines(at("doubts"), isResonance(picked) ? picked.doubts : []);
  allow();
};

// Which channel is in view; the figure follows.
const go = (run, channel, other = "") => {
  const found = runOf(run);
  const next = channel && channelOf(run, channel) ? channel : found && channelOf(run, desk.channel) ? desk.channel : found && found.channels[0] ? found.channels[0].id : "";
  const same = desk.run === run && desk.channel === next && desk.other === other && curve;
  Object.assign(desk, { run, channel: next, other });
  if (same) { showResonances(); showChosen(); } else showCurve();
};
const pick = (id) => {
  desk.pick = id;
  const item = desk.state.open.find((each) => each.resonance === id || each.id === id);
  desk.item = item ? item.id : null;
  markItem();
  describe();
};
const chooseItem = (item) => {
  desk.item = item ? item.id : null;
  const channel = item && channelOf(item.run, item.channel);
  const unexplained = channel && (channel.unexplained || []).find((each) => each.id === item.id || each.frequency_hz === item.frequency_hz);
  desk.pick = item ? item.resonance || (unexplained ? unexplained.id : null) : null;
  markItem();
  if (channel) go(item.run, item.channel); else if (curve) showChosen();
  describe();
};
const step = (way) => {
  const { open } = desk.state, now = open.findIndex((each) => each.id === desk.item);
  if (!open.length) { tell(say("none open")); return; }
  chooseItem(open[Math.min(Math.max(now < 0 ? (way > 0 ? 0 : open.length - 1) : now + way, 0), open.length - 1)]);
};

// A mark that the cursor came to, or a click beside it, selects its resonance.
const shown = (place) => {
  const channel = channelOf(desk.run, desk.channel);
  const found = channel && [...channel.resonances, ...(channel.unexplained || [])].find((each) => each.frequency_hz === place);
  if (!found || found.id === desk.pick) return;
  curve.chosen = place;
  pick(found.id);
  showResonances();
  curve.refresh();
  tell([found.frequency || found.text, isResonance(found) ? stateWord(found) : "", ...(found.doubts || [])].filter(Boolean).join(" · "));
};
const clicked = (event) => {
  if (!curve || event.target.closest("svg") !== curve.svg) return;
  const [x, y] = curve.place(event);
  if (!curve.inPanels(x, y) && y > curve.panels[0].axis.pixels[0]) return;
  const near = (curve.panels[0].marks || []).map((each) => [Math.abs(pixel(curve.x, each.x) - x), each.x]).sort((a, b) => a[0] - b[0])[0];
  if (!near || near[0] > NEAR) return;
  curve.show(near[1]);
  shown(near[1]);
};
const watchFigure = () => {
  const node = at("figure");
  let from = null;
  node.addEventListener("pointerdown", (event) => { from = [event.clientX, event.clientY]; });
  node.addEventListener("click", (event) => {
    const dragged = from && Math.hypot(event.clientX - from[0], event.clientY - from[1]) > DRAG;
    if (!dragged) clicked(event);
  });
  node.addEventListener("jumped", (event) => shown(event.detail));
  at("run").addEventListener("change", () => { leaveItem(); go(at("run").value, desk.channel); });
  at("channel").addEventListener("change", () => { leaveItem(); go(desk.run, at("channel").value); });
  at("other").addEventListener("change", () => go(desk.run, desk.channel, at("other").value));
  at("resonances").addEventListener("click", (event) => {
    const picks = event.target.closest(".picks");
    if (!picks) return;
    pick(picks.dataset.resonance);
    showResonances();
    showChosen();
  });
};
const leaveItem = () => { Object.assign(desk, { item: null, pick: null }); markItem(); describe(); };
