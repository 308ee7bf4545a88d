// The lists of the page, filled from the state. Every text is put in as text.
const fill = (template, values) => {
  const made = at(template).content.firstElementChild.cloneNode(true);
  for (const node of made.querySelectorAll("[data-text]")) {
    node.textContent = values[node.dataset.text] || "";
    if (!node.textContent && node.tagName !== "TD") node.remove();
  }
  if (made.dataset.text) made.textContent = values[made.dataset.text] || "";
  return made;
};
const lines = (node, texts) => {
  node.replaceChildren(...(texts || []).map((text) => fill("line", { text })));
  node.hidden = !node.children.length;
};
const facts = (node, pairs) => {
  node.tBodies[0].replaceChildren(...pairs.filter(([, value]) => value).map(([label, value]) => fill("fact-row", { label, value })));
  node.hidden = !node.tBodies[0].children.length;
};
// A part that is made anew keeps the focus at the same place in it, or else at its neighbour.
const REACHED = "svg[tabindex], button, summary";
const keepFocus = (part, change, otherwise) => {
  const place = [...part.querySelectorAll(REACHED)].indexOf(document.activeElement);
  change();
  if (place < 0) return;
  const now = [...part.querySelectorAll(REACHED)].filter((each) => !each.hidden);
  (now[Math.min(place, now.length - 1)] || otherwise).focus({ preventScroll: true });
};
const mark = (id) => (desk.changed.has(id) ? say("changed") : "");
const placeOf = ({ place }) => (place && place.path ? `${place.path}${place.line ? `:${place.line}` : ""}` : place || "");
const placed = (each) => [each.run, each.channel].filter(Boolean).join(" · ");

const showHead = () => {
  const { state } = desk;
  at("title").textContent = state.title || "";
  at("number").textContent = [state.number, state.revision].filter(Boolean).join(" ");
  document.title = [at("number").textContent, document.querySelector("h1 .kind").textContent, state.title].filter(Boolean).join(" – ");
  document.body.dataset.number = [state.number, state.revision].filter(Boolean).join("-");
  if (!at("decider").value && state.decided_by) at("decider").value = state.decided_by;
  at("people").replaceChildren(...(state.by || []).map((name) => new Option(name)));
  const others = state.others || [];
  at("others").hidden = !others.length;
  at("others").textContent = others.length ? `${say("elsewhere")} ${others.map((name) => name || say("somebody")).join(", ")}` : "";
};

const showFindings = () => {
  const { state } = desk;
  at("errors").hidden = !state.error;
  at("error").textContent = state.error ? `${state.error} ${say("errors")}` : "";
  at("desk").hidden = Boolean(state.error) && !state.runs.length;
  if (at("desk").hidden && (document.activeElement === document.body || at("desk").contains(document.activeElement))) at("errors-head").focus();
  at("findings").replaceChildren(...(state.findings || []).map((each) => fill("finding-row", { ...each, place: placeOf(each) })));
};

// What the issue waits for, and what is told and may stay as it is.
const waiting = () => desk.state.open.filter((each) => each.blocks);
const staying = () => desk.state.open.filter((each) => !each.blocks);
const optionId = (item) => `open-${desk.state.open.indexOf(item)}`;
const showOpen = () => {
  const { open } = desk.state;
  at("count").textContent = [String(waiting().length), ...(staying().length ? [`+ ${staying().length} ${say("that stay")}`] : [])].join(" ");
  at("nothing-open").hidden = waiting().length > 0;
  at("open").replaceChildren(...open.map((each) => {
    const made = fill("open-row", { kind: say(each.kind), where: placed(each), text: each.text, stays: each.blocks ? "" : say("stays"), mark: mark(each.id) });
    made.id = optionId(each);
    made.dataset.item = each.id;
    return made;
  }));
  markItem();
};
const markItem = () => {
  const item = itemOf(desk.item), list = at("open");
  for (const each of list.children) each.setAttribute("aria-selected", String(Boolean(item) && each.dataset.item === item.id));
  if (!item) { list.removeAttribute("aria-activedescendant"); return; }
  list.setAttribute("aria-activedescendant", optionId(item));
  const chosen = at(optionId(item));
  if (chosen.offsetTop < list.scrollTop) list.scrollTop = chosen.offsetTop;
  const below = chosen.offsetTop + chosen.offsetHeight - list.clientHeight;
  if (below > list.scrollTop) list.scrollTop = below;
};

const wasVerdict = (verdict) => {
  const old = desk.before && desk.before.verdicts.find((each) => each.id === verdict.id);
  return old && old.outcome !== verdict.outcome ? old.word : "";
};
const decided = (ids) => desk.state.decisions.filter((each) => (ids || []).includes(each.id)).map((each) => each.said);
const showVerdicts = () => {
  const { verdicts } = desk.state;
  at("verdicts-part").hidden = !verdicts.length;
  at("verdicts").tBodies[0].replaceChildren(...verdicts.map((each) => {
    const by = decided(each.by_decision), was = wasVerdict(each);
    const made = fill("verdict-row", {
      ...each, reason: (each.reason || []).join(" "), by: by.length ? `${say("by decision")} ${by.join("; ")}` : "",
      mark: was ? `${say("was")}: ${was}` : mark(each.id),
    });
    made.querySelector(".verdict").classList.add(each.css);
    made.classList.toggle("changed", Boolean(was || mark(each.id)));
    return made;
  }));
};

const showDecisions = () => keepFocus(at("decisions"), listDecisions, at("decisions-head"));
const listDecisions = () => {
  const { decisions, read_only: bare } = desk.state;
  at("decisions-part").hidden = Boolean(bare);
  at("no-decisions").hidden = decisions.length > 0;
  at("decisions").hidden = !decisions.length;
  at("decisions").tBodies[0].replaceChildren(...decisions.map((each) => {
    const made = fill("decision-row", { ...each, reason: each.reason || each.text, place: placeOf(each), mark: mark(each.id) }), undoes = made.querySelector("button");
    undoes.hidden = each.undo === false;
    undoes.dataset.decision = each.id;
    undoes.setAttribute("aria-label", `${say("undo of")} ${each.said}`);
    made.classList.toggle("changed", desk.changed.has(each.id));
    return made;
  }));
};

const showBuild = () => {
  const { state } = desk;
  at("build-part").hidden = Boolean(state.read_only);
  at("why-not").textContent = state.building && !desk.busy ? say("built elsewhere") : state.may_issue ? "" : state.why_not || "";
  at("issue").setAttribute("aria-disabled", String(!state.may_issue || state.building));
  at("draft").setAttribute("aria-disabled", String(Boolean(state.error) || state.building));
  if (!state.may_issue) at("surely").hidden = true;
  const stay = staying().map((each) => each.text), before = [...at("staying-list").children].map((each) => each.textContent);
  if (JSON.stringify(stay) !== JSON.stringify(before)) at("seen").checked = false; // another list is not seen yet
  lines(at("staying-list"), stay);
  at("staying").hidden = !staying().length;
};
// What is wider than its place is pushed sideways by the keyboard, too.
const reach = () => {
  for (const node of document.querySelectorAll(".reach")) {
    const more = node.scrollWidth > node.clientWidth || node.scrollHeight > node.clientHeight;
    if (more) node.tabIndex = 0; else node.removeAttribute("tabindex");
  }
};
const showLists = () => { showHead(); showFindings(); showOpen(); showVerdicts(); showDecisions(); showBuild(); reach(); };
