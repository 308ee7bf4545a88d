// What the page asks of the server. Nothing is kept here but the state as it was told last.
const PAGE = crypto.randomUUID(); // tells the pages of one job apart
const AGAIN_MS = 2000; // between two attempts to reach a server that does not answer
const at = (id) => document.getElementById(id);
const desk = { state: null, before: null, changed: new Set(), mine: [], item: null, run: "", channel: "", other: "", pick: null, busy: false };

const nameOfDecider = () => at("decider").value.trim();
const asked = (address) => `${address}?page=${PAGE}&by=${encodeURIComponent(nameOfDecider())}`; // says which page asks
// Status and answer; status 0 where nobody answers.
const ask = async (address, body) => {
  try {
    const how = body ? { method: "POST", body: JSON.stringify(body), headers: { "X-Review": "1", "Content-Type": "application/json" } } : {};
    const response = await fetch(address, { ...how, cache: "no-store", credentials: "same-origin", redirect: "error" });
    if (body && response.ok) trouble("", "refused");
    return { status: response.status, answer: await response.json().catch(() => ({})) };
  } catch (_) {
    return { status: 0, answer: {} };
  }
};

// Trouble stands at the head of the page until what caused it is over; a blank text takes it away.
const trouble = (text, cause) => {
  const node = at("trouble");
  if (!text && cause && node.dataset.cause !== cause) return;
  node.textContent = text;
  node.dataset.cause = text ? cause : "";
};
const tell = (...texts) => { at("told").textContent = texts.filter(Boolean).join(" "); };
const troubleOf = ({ status, answer }) => {
  if (status === 0) trouble(say("gone"), "gone");
  else if (status >= 500) trouble(say("fault"), "refused");
  else trouble(answer.text || say("refused"), "refused");
};

const here = () => `${encodeURIComponent(desk.run)}/${encodeURIComponent(desk.channel)}`;
const runOf = (id) => desk.state.runs.find((run) => run.id === id);
const channelOf = (run, id) => { const found = runOf(run); return found && found.channels.find((each) => each.id === id); };
const pickedOf = (id) => {
  const channel = channelOf(desk.run, desk.channel);
  return (channel && [...channel.resonances, ...(channel.unexplained || [])].find((each) => each.id === id)) || null;
};
const isResonance = (found) => Boolean(found && found.state);
const itemOf = (id) => desk.state.open.find((each) => each.id === id) || null;
