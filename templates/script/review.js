// Keys, the state as it changes, and the start. The letter of an action is the first of its name in the page's language.
const letters = new Map();
const nameKeys = () => {
  for (const node of document.querySelectorAll("[data-act]")) {
    const label = node.textContent.trim(), letter = label[0].toLowerCase(), key = document.createElement("kbd");
    node.dataset.label = label;
    letters.set(letter, node.dataset.act);
    key.textContent = letter;
    key.setAttribute("aria-hidden", "true");
    node.prepend(key);
    if (node.tagName === "BUTTON") node.setAttribute("aria-keyshortcuts", letter);
    const term = document.createElement("dt"), named = document.createElement("dd");
    term.textContent = letter;
    named.textContent = label;
    at("keys").append(term, named);
  }
};
const act = (name) => {
  if (name === "next" || name === "previous") step(name === "next" ? 1 : -1);
  else if (name === "undo") undoLast();
  else if (name === "compare") at("other").focus();
  else openForm(name);
};
// Letters act where a list, the figure or a resonance has the focus: nowhere else can a key be meant for another.
const pressed = (event) => {
  if (event.altKey || event.ctrlKey || event.metaKey || event.isComposing) return;
  const inForm = event.target.closest("#decision");
  if (event.key === "Escape" && (inForm || (form.kind !== null && !event.target.closest("svg")))) { event.preventDefault(); closeForm(); return; }
  if (!event.target.closest("[data-keys], figure svg")) return;
  const name = letters.get(event.key.toLowerCase());
  if (event.target.closest("[aria-busy] svg") && !["next", "previous"].includes(name) && event.key !== "Tab") {
    event.preventDefault();
    event.stopPropagation();
    return;
  }
  if (!name || event.key.length !== 1) return;
  event.preventDefault();
  event.stopPropagation();
  act(name);
};
const inList = (event) => {
  const { open } = desk.state, to = { ArrowDown: () => step(1), ArrowUp: () => step(-1), Home: () => chooseItem(open[0]), End: () => chooseItem(open[open.length - 1]) }[event.key];
  if (event.key === "Enter" && curve) { event.preventDefault(); curve.svg.focus({ preventScroll: true }); curve.svg.scrollIntoView({ block: "nearest" }); }
  if (!to || !open.length || event.altKey || event.ctrlKey || event.metaKey) return;
  event.preventDefault();
  to();
};

// What was changed is said in words, once.
const changes = () => desk.state.verdicts.map((each) => [each, wasVerdict(each)]).filter(([, was]) => was)
  .map(([each, was]) => `${each.id}: ${say("was")} ${was}, ${say("is")} ${each.word}.`);
const leftOpen = () => (waiting().length ? `${say("left open")} ${waiting().length}.` : say("none open"));

// A new state: selection and focus stay where they were, or go on to the next item that is open.
const take = (state, changed, told, own = false) => {
  const old = desk.state, index = old ? old.open.findIndex((each) => each.id === desk.item) : -1;
  Object.assign(desk, { state, before: old, changed });
  if (old) {
    const known = new Set(old.decisions.map((each) => each.id)), now = new Set(state.decisions.map((each) => each.id));
    desk.mine = [...desk.mine.filter((id) => now.has(id)), ...(own ? [...now].filter((id) => !known.has(id)) : [])];
  }
  document.documentElement.lang = state.language || document.documentElement.lang;
  showLists();
  if (told) tell(told, ...changes(), leftOpen());
  if (!runOf(desk.run) && !itemOf(desk.item)) Object.assign(desk, { item: null, pick: null, run: "", channel: "" });
  const onCurve = form.from && form.from.tagName.toLowerCase() === "svg";
  const next = itemOf(desk.item) || (index >= 0 && !onCurve && state.open[Math.min(index, state.open.length - 1)]) || (!old && state.open[0]);
  if (next && next.id !== desk.item) { desk.item = next.id; settle(next); } else settle(next || null);
};
// Shows the channel of an item, or the one in view once more, since its marks may have changed.
const settle = (item) => {
  const channel = item && channelOf(item.run, item.channel), first = desk.state.runs.find((run) => run.channels.length);
  if (item) desk.pick = item.resonance || (channel && (channel.unexplained || []).some((each) => each.id === item.id) ? item.id : null);
  else if (!itemOf(desk.item)) desk.item = null;
  if (channel && (item.run !== desk.run || item.channel !== desk.channel)) Object.assign(desk, { run: item.run, channel: item.channel, other: "" });
  else if (!channelOf(desk.run, desk.channel) && first) Object.assign(desk, { run: first.id, channel: first.channels[0].id, other: "" });
  markItem();
  describe();
  showCurve();
};
// A state without what tells of pages and not of the job.
const ofJob = (state) => JSON.stringify({ ...state, version: 0, others: [], building: false });
const renew = async (fromElsewhere) => {
  const found = await ask(asked("state"));
  if (found.status !== 200) { troubleOf(found); return; }
  const old = desk.state;
  if (old && ofJob(found.answer) === ofJob(old)) { desk.state = found.answer; showHead(); showBuild(); return; }
  const words = new Map((old ? old.verdicts : []).map((each) => [each.id, each.word]));
  const changed = new Set(found.answer.verdicts.filter((each) => old && words.get(each.id) !== each.word).map((each) => each.id));
  take(found.answer, changed, fromElsewhere ? say("made elsewhere") : "");
};
const pause = (time) => new Promise((done) => { setTimeout(done, time); });
const follow = async () => {
  for (;;) {
    const { status, answer } = await ask(asked(`since/${desk.state ? desk.state.version : 0}`));
    if (status !== 200) { if (status === 0) trouble(say("gone"), "gone"); await pause(AGAIN_MS); continue; }
    if (at("trouble").dataset.cause === "gone") { trouble("", "gone"); tell(say("back")); }
    if (!desk.busy && (!desk.state || answer.version !== desk.state.version)) await renew(Boolean(desk.state));
    else if (desk.busy) await pause(AGAIN_MS);
  }
};

const listen = () => {
  document.addEventListener("keydown", pressed, { capture: true });
  document.addEventListener("click", (event) => {
    const named = event.target.closest("button[data-act]");
    if (named) act(named.dataset.act);
    const undoes = event.target.closest(".undoes");
    if (undoes) undo(undoes.dataset.decision);
  });
  at("open").addEventListener("keydown", inList);
  at("open").addEventListener("click", (event) => {
    const row = event.target.closest("[data-item]");
    if (row) chooseItem(itemOf(row.dataset.item));
  });
  at("decision").addEventListener("submit", (event) => { event.preventDefault(); decide(); });
  at("decision").addEventListener("input", (event) => {
    if (["from", "to"].includes(event.target.name)) shade();
    if (event.target.name === "frequency_hz" && form.kind === "add") at("keep").hidden = form.tried === null || parsed("frequency_hz") !== form.tried;
  });
  at("try-again").addEventListener("click", attempt);
  at("leave").addEventListener("click", closeForm);
  window.addEventListener("resize", reach);
  at("draft").addEventListener("click", () => { if (!desk.state.error) build(false); });
  at("issue").addEventListener("click", () => {
    if (!desk.state.may_issue) { tell(desk.state.why_not || ""); return; }
    at("surely").hidden = false;
    at("seen").checked = false;
    (staying().length ? at("seen") : at("issue-now")).focus();
  });
  at("issue-now").addEventListener("click", () => {
    if (staying().length && !at("seen").checked) { tell(say("not seen")); at("seen").focus(); return; }
    build(true);
  });
  at("not-now").addEventListener("click", () => { at("surely").hidden = true; at("issue").focus(); });
};

nameKeys();
listen();
watchFigure();
renew(false).then(() => {
  (at("desk").hidden ? at("errors-head") : at("open")).focus({ preventScroll: true });
  document.documentElement.classList.add("scripted");
  window.ready = 1;
  follow();
});
