// A decision: its form, what the server answers, and where the focus goes afterwards.
const FIELDS = {
  accept: ["reason"], reject: ["reason"], renumber: ["mode", "reason"], add: ["frequency_hz", "reason"],
  exclude: ["from", "to", "everywhere", "reason"], annotate: ["frequency_hz", "text"], nodes: ["frequency_hz", "nodes"], deviation: ["effect", "agreed_by"],
};
const OF_RESONANCE = ["accept", "reject", "renumber"];
const PLACES = { frequency: "frequency_hz", band_hz: "from", band: "from" }; // names of the job's keys, and fields of the form
const form = { kind: null, from: null, of: null, tried: null };
const fieldOf = (name) => document.querySelector(`.field[data-field="${CSS.escape(name)}"]`);
const inputOf = (name) => at(`field-${name}`);
const labelOf = (kind) => document.querySelector(`button[data-act="${kind}"]`).dataset.label;

const deviationOf = (item) => (item && item.deviation ? (desk.state.deviations || []).find((each) => each.key === item.deviation) || { key: item.deviation } : null);
// What cannot be done now is said by the button, and stays in the order of the focus.
const allow = () => {
  const bare = desk.state.read_only, has = isResonance(pickedOf(desk.pick)), channel = channelOf(desk.run, desk.channel);
  const deviation = deviationOf(itemOf(desk.item));
  for (const act of document.querySelectorAll(".acts [data-act]")) {
    const { act: kind } = act.dataset;
    const can = { undo: desk.mine.length > 0, deviation: Boolean(deviation) }[kind];
    act.setAttribute("aria-disabled", String(!(can === undefined ? (OF_RESONANCE.includes(kind) ? has : Boolean(channel)) : can)));
    act.hidden = (Boolean(bare) && kind !== "add") || (kind === "deviation" && !deviation);
  }
};
const parsed = (name) => Number(inputOf(name).value.trim().replace(/\s*Hz$/, "").replace("−", "-").replace(",", ".") || NaN);
const faults = (list) => {
  for (const node of document.querySelectorAll("#decision .fault")) node.replaceChildren();
  for (const node of document.querySelectorAll("#decision input")) node.removeAttribute("aria-invalid");
  const own = { deviation: { text: "effect" }, nodes: { ...PLACES, text: "nodes" } }[form.kind] || PLACES;
  const told = list.map(({ field, text }) => ({ name: own[field] || field, text }));
  for (const { name, text } of told) {
    const node = fieldOf(name);
    if (!node || node.hidden || !at(`fault-${name}`)) { at("fault-other").append(fill("line", { text })); continue; }
    at(`fault-${name}`).textContent = text;
    inputOf(name).setAttribute("aria-invalid", "true");
  }
  const first = document.querySelector("#decision [aria-invalid]");
  if (first) first.focus();
  if (told.length) tell(...told.map(({ text }) => text));
};

const cursorHz = () => {
  if (curve && curve.at !== null) return curve.at;
  const picked = pickedOf(desk.pick);
  return picked ? picked.frequency_hz : null;
};
const printed = (hz) => (hz === null ? "" : number(hz));
const shade = () => {
  if (!curve) return;
  const ends = [parsed("from"), parsed("to")];
  curve.shaded = form.kind === "exclude" && ends.every(Number.isFinite) ? ends.sort((a, b) => a - b) : null;
  curve.takesBand = form.kind === "exclude" ? takeBand : null;
  curve.refresh();
};
const takeBand = (low, high) => {
  inputOf("from").value = printed(low);
  inputOf("to").value = printed(high);
  shade();
};
const prefill = (kind) => {
  for (const input of document.querySelectorAll("#decision input")) if (input.type === "text") input.value = "";
  inputOf("everywhere").checked = false;
  inputOf("reason").value = (form.reasons || {})[kind] || "";
  if (FIELDS[kind].includes("frequency_hz")) inputOf("frequency_hz").value = printed(cursorHz());
  if (kind === "deviation") {
    inputOf("effect").value = form.of.deviation.effect || "";
    inputOf("agreed_by").value = form.of.deviation.agreed_by || "";
  }
  if (kind === "exclude" && curve && curve.pinned !== null && curve.at !== null) takeBand(...[curve.pinned, curve.at].sort((a, b) => a - b));
};
const openForm = (kind) => {
  const picked = pickedOf(desk.pick);
  if (desk.busy) return;
  if (desk.state.read_only && kind !== "add") { tell(say("only shown")); return; }
  if (OF_RESONANCE.includes(kind) && !isResonance(picked)) { tell(say("no resonance")); return; }
  const deviation = kind === "deviation" ? deviationOf(itemOf(desk.item)) : null;
  if (kind === "deviation" && !deviation) { tell(say("no deviation")); return; }
  if (kind !== "deviation" && !channelOf(desk.run, desk.channel)) { tell(say("no cursor")); return; }
  if (form.kind === null) form.from = document.activeElement;
  Object.assign(form, { kind, tried: null, of: { run: desk.run, channel: desk.channel, picked, deviation } });
  const asked = [...(nameOfDecider() || desk.state.read_only ? [] : ["by"]), ...FIELDS[kind]];
  for (const field of document.querySelectorAll("#decision .field")) field.hidden = !asked.includes(field.dataset.field);
  if (desk.state.read_only) fieldOf("reason").hidden = true;
  at("decision-head").textContent = labelOf(kind);
  at("decision-place").textContent = deviation ? deviation.text || "" : [desk.run, desk.channel, OF_RESONANCE.includes(kind) ? picked.frequency : ""].filter(Boolean).join(" · ");
  at("keep").textContent = say(`keep ${kind}`);
  at("keep").hidden = kind === "add";
  at("try-again").hidden = kind !== "add";
  at("found").hidden = true;
  at("decision").hidden = false;
  document.querySelector(".acts").hidden = true;
  faults([]);
  prefill(kind);
  shade();
  const shownInputs = [...document.querySelectorAll("#decision .field:not([hidden]) input[type=text]")];
  const first = shownInputs.find((input) => !input.value || input.name === "reason") || shownInputs[0];
  first.focus();
  first.select();
  if (kind === "add" && inputOf("frequency_hz").value) attempt();
};
// The focus goes back to where the form was called from; a list or figure made anew takes the place of the old one.
const back = () => {
  const from = form.from, of = from && from.dataset ? from.dataset.resonance : null;
  if (of) refocus(of);
  if (document.activeElement && document.activeElement.closest("[data-keys], svg")) return;
  if (curve && from && from.tagName.toLowerCase() === "svg") curve.svg.focus({ preventScroll: true });
  else if (from && from.isConnected && from !== document.body && !from.hidden) from.focus();
  else at("open").focus();
};
const closeForm = () => {
  if (form.kind === null) return;
  form.kind = null;
  at("decision").hidden = true;
  document.querySelector(".acts").hidden = false;
  shade();
  back();
  document.activeElement.scrollIntoView({ block: "nearest" });
};

// Tries a resonance at the frequency of the form; nothing is written.
const attempt = async () => {
  const hz = parsed("frequency_hz");
  faults(Number.isFinite(hz) ? [] : [{ field: "frequency_hz", text: say("no number") }]);
  if (!Number.isFinite(hz)) return;
  const { run, channel } = form.of;
  at("found").hidden = false;
  at("found-why").textContent = say("computing");
  for (const id of ["for", "against"]) { lines(at(`found-${id}`), []); at(`found-${id}-head`).hidden = true; }
  facts(at("found-values"), []);
  const { status, answer } = await ask(asked("try"), { run, channel, frequency_hz: hz });
  if (form.kind !== "add" || parsed("frequency_hz") !== hz) return;
  if (status !== 200) {
    at("found").hidden = true;
    if (status === 422) faults(answer.faults || []); else troubleOf({ status, answer });
    return;
  }
  form.tried = answer.found ? hz : null;
  at("found-why").textContent = answer.why || "";
  facts(at("found-values"), answer.rows || []);
  for (const id of ["for", "against"]) { lines(at(`found-${id}`), answer[id]); at(`found-${id}-head`).hidden = at(`found-${id}`).hidden; }
  at("keep").hidden = form.tried === null || Boolean(desk.state.read_only);
  if (!at("keep").hidden && document.activeElement === inputOf("frequency_hz")) inputOf("reason").focus();
};

const LOCAL = { frequency_hz: "no number", from: "no number", to: "no number", mode: "no count", nodes: "no count" };
const localFaults = (kind) => FIELDS[kind].filter((name) => LOCAL[name]).filter((name) => {
  const value = parsed(name);
  return !Number.isFinite(value) || (LOCAL[name] === "no count" && !Number.isInteger(value));
}).map((name) => ({ field: name, text: say(LOCAL[name]) }));
const decisionOf = (kind) => {
  const { run, channel, picked, deviation } = form.of, has = (name) => FIELDS[kind].includes(name);
  const by = nameOfDecider() || inputOf("by").value.trim();
  if (deviation) return { kind, deviation: deviation.key, text: inputOf("effect").value.trim(), agreed_by: inputOf("agreed_by").value.trim(), by };
  return {
    kind, run, channel: kind === "exclude" && inputOf("everywhere").checked ? null : channel, by,
    ...(OF_RESONANCE.includes(kind) ? { frequency_hz: picked.frequency_hz } : {}),
    ...(has("frequency_hz") ? { frequency_hz: parsed("frequency_hz") } : {}),
    ...(kind === "exclude" ? { band_hz: [parsed("from"), parsed("to")].sort((a, b) => a - b) } : {}),
    ...(has("mode") ? { mode: parsed("mode") } : {}), ...(has("nodes") ? { nodes: parsed("nodes") } : {}),
    ...(has("text") ? { text: inputOf("text").value.trim() } : {}), ...(has("reason") ? { reason: inputOf("reason").value.trim() } : {}),
  };
};
const decide = async () => {
  const { kind } = form;
  if (kind === null || desk.busy || desk.state.read_only) return;
  if (kind === "add" && form.tried !== parsed("frequency_hz")) { attempt(); return; }
  const own = localFaults(kind);
  faults(own);
  if (own.length) return;
  const decision = decisionOf(kind);
  const answered = await change("decide", decision);
  if (!answered) return;
  form.reasons = { ...form.reasons, [kind]: decision.reason || "" };
  if (!nameOfDecider()) at("decider").value = decision.by;
  closeForm();
};
const undo = async (id) => { if (id && !desk.busy) await change("undo", { decision: id }); };
const undoLast = () => { if (desk.mine.length) undo(desk.mine[desk.mine.length - 1]); else tell(say("nothing to undo")); };

// Sends a change and shows what came of it; false where nothing was written.
const change = async (address, body) => {
  desk.busy = true;
  at("decision").setAttribute("aria-busy", "true");
  tell(say("computing"));
  const found = await ask(asked(address), body);
  desk.busy = false;
  at("decision").removeAttribute("aria-busy");
  if (found.status === 200) {
    take(found.answer.state, new Set(found.answer.changed || []), say(address === "undo" ? "undone" : "done"), address === "decide");
    return true;
  }
  tell("");
  if (found.status === 422 && form.kind !== null) { faults(found.answer.faults || []); return false; }
  if (found.status === 422) found.answer.text = (found.answer.faults || []).map((each) => each.text).join(" ");
  troubleOf(found);
  if (found.status === 409) await renew(false);
  return false;
};

const building = (on) => {
  desk.busy = on;
  for (const id of ["draft", "issue", "issue-now"]) at(id).setAttribute("aria-disabled", String(on));
};
const build = async (issue) => {
  if (desk.busy) return;
  building(true);
  at("surely").hidden = true;
  at(issue ? "issue" : "draft").focus();
  at("built").hidden = false;
  at("built-text").textContent = say("building");
  at("built-folder").textContent = "";
  lines(at("built-files"), []);
  const found = await ask(asked("build"), issue ? { issue, seen: staying().map((each) => each.id) } : { issue });
  building(false);
  showBuild();
  if (found.status !== 200) {
    at("built").hidden = true;
    troubleOf(found);
    if (found.status) await renew(false);
    return;
  }
  at("built-text").textContent = found.answer.text || say("built");
  at("built-folder").textContent = found.answer.folder || "";
  lines(at("built-files"), found.answer.files);
};
