// A link to evidence lands where the figure that shows it is in view, with the cursor at the place it names.
const TOP = 12; // pixels left above what a link leads to

const landingOf = (target, link) => {
  const named = [link, target].find((each) => each && each.dataset && each.dataset.figure && figures.has(each.dataset.figure));
  if (named) return { figure: figures.get(named.dataset.figure), at: Number(named.dataset.x) };
  return figures.has(target.id) ? { figure: figures.get(target.id), at: NaN } : null;
};
const land = (id, link) => {
  const target = document.getElementById(id), landing = target && landingOf(target, link);
  if (!landing || !landing.figure.output) return;
  if (landing.at > 0) landing.figure.show(landing.at);
  const { top } = landing.figure.node.getBoundingClientRect();
  window.scrollBy({ top: top - TOP, behavior: "instant" });
};
const followLinks = () => {
  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest("a[href^='#']");
    if (link) setTimeout(() => land(decodeURIComponent(link.hash.slice(1)), link), 0);
  });
  window.addEventListener("popstate", () => setTimeout(() => land(decodeURIComponent(location.hash.slice(1)), null), 0));
  if (location.hash) land(decodeURIComponent(location.hash.slice(1)), null);
};
// A row of a resonance table moves the cursor of its figure.
const leadRows = () => {
  for (const row of document.querySelectorAll("tr[data-figure][data-x]")) {
    const figure = figures.get(row.dataset.figure);
    if (!figure || !figure.output) continue;
    row.classList.add("leads");
    row.addEventListener("click", (event) => {
      const link = event.target.closest("a");
      if (link && link.getAttribute("href") !== `#${row.dataset.figure}`) return;
      event.preventDefault();
      event.stopPropagation();
      figure.show(Number(row.dataset.x));
      figure.node.scrollIntoView({ block: "nearest" });
      if (link) figure.svg.focus({ preventScroll: true });
    });
  }
};
// The contents tell which section is being read.
const followReading = () => {
  const links = new Map([...document.querySelectorAll(".contents a[href^='#']")].map((link) => [link.hash.slice(1), link]));
  const heads = [...document.querySelectorAll("h2[id], h3[id]")].filter((head) => links.has(head.id));
  const mark = () => {
    const past = heads.filter((head) => head.getBoundingClientRect().top < window.innerHeight / 3).pop();
    for (const link of links.values()) link.removeAttribute("aria-current");
    if (past) links.get(past.id).setAttribute("aria-current", "true");
  };
  let waiting = false;
  window.addEventListener("scroll", () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; mark(); });
  }, { passive: true });
  mark();
};
// What is wider than the screen and holds nothing to focus is pushed sideways by the keyboard, too.
const reach = () => {
  for (const node of document.querySelectorAll(".wide, .plot")) {
    if (node.scrollWidth > node.clientWidth) node.tabIndex = 0; else node.removeAttribute("tabindex");
  }
};

unpackAll(ownTable()).catch(() => false).then(() => {
  showFigures();
  leadRows();
  sortTables();
  followReading();
  reach();
  window.addEventListener("resize", reach);
  document.documentElement.classList.add("scripted");
  followLinks();
  window.ready = 1;
});
