/* The page of marks: questions about folds, the list, and what is said of each mark. */
import {
  ask, attempt, button, byId, el, farness, freshId, kinds, kindsHave, kindWord, length, lengthSystem,
  openPage, plural, positionText, say, seaMap, seen, sign, tell, userText, work,
} from "/static/common.js";

const PIECE = 50, ASKED = 3;
let marks = [], byMark = new Map(), shapes = [], waiting = 0;
let order = [], shownTo = 0, open = null, map = null;
let questions = [], askedTo = ASKED, later = new Set(), smallMaps = [];

const called = (m) => (m.name.trim() ? m.name : `${m.kind || "mark"} at ${positionText(m.lon, m.lat)}`);
const encoded = (m) => encodeURIComponent(m.id);
const day = (time) => (time ? time.slice(0, 10) : "");
const folded = (text) => text.normalize("NFKD").replace(/\p{M}/gu, "").toLocaleLowerCase();

/* ---- reading -------------------------------------------------------------------------------- */
async function reload() {
  const found = await ask("/api/marks");
  marks = found.marks;
  shapes = found.shapes;
  waiting = found.waiting;
  byMark = new Map(marks.map((m) => [m.id, m]));
  marks.forEach(remember);
  if (open && !byMark.has(open)) open = null;
  byId("summary").textContent = marks.length ? `${plural(marks.length, "mark")} in the book.` : "There is no mark in the book yet. Add trips with athwart book add, or pick on a picture.";
  showWaiting();
  fillKinds();
  showMap();
  showList();
  await readQuestions();
}
function remember(m) { m.words = folded([called(m), m.kind, m.note, m.position].join(" ")); m.sortName = folded(called(m)); }
function fillKinds() {
  const select = byId("kind"), was = select.value, count = new Map();
  for (const m of marks) count.set(m.kind, (count.get(m.kind) || 0) + 1);
  select.replaceChildren(el("option", { value: "*" }, "every kind"),
    ...[...count].sort((a, b) => a[0].localeCompare(b[0])).map(([k, n]) => el("option", { value: `=${k}` }, `${seen(kindWord(k))} (${n.toLocaleString("en")})`)));
  select.value = was && [...select.options].some((o) => o.value === was) ? was : "*";
  byId("kind-words").replaceChildren(...kinds().filter((k) => k.word).map((k) => el("option", { value: k.word })));
}
function showWaiting() {
  const place = byId("waiting");
  if (!waiting) { place.replaceChildren(); return; }
  place.replaceChildren(el("div", { class: "warn" },
    el("p", {}, `${plural(waiting, "sighting")} ${waiting === 1 ? "waits" : "wait"} to be merged.`),
    el("div", { class: "buttons" }, button("merge what waits", merge, { class: "main" }))));
}
function merge() {
  return attempt(async () => {
    try {
      const done = await work(await tell("/api/merge"), byId("waiting"), "merging");
      await reload();
      say(`merged: ${done.sentence}`, done.notes);
    } finally { showWaiting(); }
  });
}

/* ---- the map and the list ------------------------------------------------------------------- */
function showMap() {
  const lines = shapes.map((s) => (s.area ? [...s.corners, s.corners[0]] : s.corners));
  if (map && marks.length) { map.show(filtered()); map.lines(lines); return; }
  map?.remove();
  const box = el("div", { id: "map" });
  byId("map").replaceWith(box);
  map = marks.length ? seaMap(box, {
    marks, lines, label: "map of the marks", onPick: (m) => openEntry(m.id, true),
    onMove: () => { if (byId("order").value === "near") showList(); },
  }) : null;
  box.hidden = !marks.length;
}
function filtered() {
  const words = folded(byId("find").value).split(/\s+/).filter(Boolean), kind = byId("kind").value;
  return marks.filter((m) => (kind === "*" || `=${m.kind}` === kind) && words.every((w) => m.words.includes(w)));
}
const text = new Intl.Collator("en", { numeric: true });
const ORDERS = {
  name: (a, b) => (a.name.trim() === "") - (b.name.trim() === "") || text.compare(a.sortName, b.sortName),
  last: (a, b) => (b.last_time || "").localeCompare(a.last_time || ""),
  r95: (a, b) => (a.r95_m ?? Infinity) - (b.r95_m ?? Infinity),
};
function showList() {
  const by = byId("order").value;
  order = filtered();
  if (by === "near" && map) {
    const middle = map.middle(), far = new Map(order.map((m) => [m, farness(m, middle)]));
    order.sort((a, b) => far.get(a) - far.get(b));
  } else order.sort(ORDERS[by] || ORDERS.name);
  const held = document.activeElement?.closest?.("#list li")?.dataset.mark;
  shownTo = 0;
  dropOpened();
  byId("list").replaceChildren();
  showPiece();
  byId("found").textContent = order.length === marks.length ? `All ${plural(marks.length, "mark")}.` : `${plural(order.length, "mark")} of ${marks.length.toLocaleString("en")}.`;
  if (held) entryOf(held)?.querySelector(".opener").focus({ preventScroll: true });
}
function showPiece(least = PIECE) {
  const next = order.slice(shownTo, shownTo + least), first = shownTo;
  byId("list").append(...next.map(entry));
  shownTo += next.length;
  const left = order.length - shownTo;
  byId("more").hidden = left <= 0;
  byId("more").textContent = `show ${Math.min(left, PIECE)} more of ${left.toLocaleString("en")}`;
  return byId("list").children[first];
}
const entryOf = (id) => [...byId("list").children].find((li) => li.dataset.mark === id);
function factsOf(m) {
  return [kindWord(m.kind), m.hazard && "hazard", `R95 ${length(m.r95_m)}`, m.depth_m !== null && `depth ${length(m.depth_m, 1)}`,
    m.last_time ? `last seen ${day(m.last_time)}` : "never dated", m.visits && `visited ${plural(m.visits, "time")}`, m.private && "private"]
    .filter(Boolean).map(seen).join(" · ");
}
function entry(m) {
  const isOpen = open === m.id, id = freshId("entry");
  const state = el("span", { class: "state" }, isOpen ? "close" : "open");
  const opener = el("button", { type: "button", class: "opener", "aria-expanded": String(isOpen), "aria-controls": id, on: { click: () => openEntry(open === m.id ? null : m.id) } },
    sign(m.kind, m.hazard), userText(called(m), "span", "said name"), state);
  const opened = el("div", { class: "opened", id, hidden: !isOpen });
  const li = el("li", { class: isOpen ? "entry chosen" : "entry", "data-mark": m.id },
    el("h3", {}, opener), el("p", { class: "facts", dir: "auto" }, factsOf(m)), opened);
  if (isOpen) fill(opened, m);
  return li;
}
let openMap = null;
function dropOpened() { openMap?.remove(); openMap = null; }
function renew(id) {
  const li = entryOf(id);
  if (li && byMark.has(id)) li.replaceWith(entry(byMark.get(id)));
}
function openEntry(id, go = false) {
  const was = open;
  dropOpened();
  open = id;
  map?.choose(id);
  if (was && was !== id) renew(was);
  if (!id) { renew(was); entryOf(was)?.querySelector(".opener").focus(); return; }
  if (!order.some((m) => m.id === id)) { byId("find").value = ""; byId("kind").value = "*"; showMap(); showList(); }
  while (!entryOf(id) && shownTo < order.length) showPiece(500);
  renew(id);
  const li = entryOf(id);
  li?.querySelector(".opener").focus({ preventScroll: true });
  if (go) li?.scrollIntoView({ block: "start" });
}

/* ---- one mark ------------------------------------------------------------------------------- */
function fill(place, m) {
  const where = el("div", { class: "small" });
  const pairs = [
    ["position", el("span", { class: "figures" }, m.position)],
    ["R95", length(m.r95_m)],
    ["depth", m.depth_m === null ? "not known" : `${length(m.depth_m, 1)}${m.depth_below ? ` below the ${m.depth_below}` : ", not said below what"}`],
    ["seen", `${plural(m.sightings, "time")} on ${plural(m.trips, "trip")}${m.last_time ? `, last on ${day(m.last_time)}` : ""}`],
    m.note && ["note", userText(m.note, "span", "said lines")],
    ["visits", m.visits ? el("span", {}, `${m.visits}; last `, userText(m.last_visit)) : "none"],
  ].filter(Boolean);
  const why = el("div", { role: "status" });
  place.replaceChildren(
    el("dl", { class: "pairs" }, pairs.flatMap(([t, d]) => [el("dt", {}, t), el("dd", {}, d)])),
    where, changing(m), visiting(m),
    el("div", { class: "buttons" }, button("why is it here", () => attempt(() => explain(m, why)))), why);
  requestAnimationFrame(() => {
    if (!where.isConnected) return;
    const near = marks.filter((o) => o !== m && farness(o, m) < 2000);
    openMap = seaMap(where, { marks: [...near, m], about: [m], fitTo: [m], least: Math.max(20, 4 * (m.r95_m || 0)), chosen: m.id, label: `map around ${seen(called(m))}`, onPick: (o) => { if (o !== m) openEntry(o.id, true); } });
  });
}
async function explain(m, place) {
  const found = await ask(`/api/marks/${encoded(m)}?units=${lengthSystem()}`);
  place.replaceChildren(el("h4", {}, "Why it is here"), el("ol", { class: "reasons" }, found.sentences.map((s) => userText(s, "li"))));
}
function field(label, control) {
  const id = freshId("field");
  control.id = id;
  return el("div", { class: "field" }, el("label", { for: id }, label), control);
}
function tick(label, control) { return el("label", { class: "tick" }, control, label); }
function changing(m) {
  const name = el("input", { type: "text", value: m.name, dir: "auto", autocomplete: "off", maxlength: "2000", name: "name" });
  const kind = el("input", { type: "text", value: m.kind, list: "kind-words", autocomplete: "off", maxlength: "2000", name: "kind" });
  const note = el("textarea", { dir: "auto", maxlength: "2000", name: "note" });
  note.value = m.note;
  const hazard = el("input", { type: "checkbox", checked: m.hazard, name: "hazard" });
  const hidden = el("input", { type: "checkbox", checked: m.private, name: "private" });
  const values = () => {
    const now = { name: name.value.trim(), kind: kind.value.trim(), note: note.value.trim(), hazard: hazard.checked, private: hidden.checked };
    return Object.fromEntries(Object.entries(now).filter(([k, v]) => v !== (typeof m[k] === "string" ? m[k].trim() : m[k])));
  };
  const reset = () => { name.value = m.name; kind.value = m.kind; note.value = m.note; hazard.checked = m.hazard; hidden.checked = m.private; };
  const save = () => attempt(async () => {
    const changed = values();
    if (!Object.keys(changed).length) { say("nothing was changed"); return; }
    const done = await tell(`/api/marks/${encoded(m)}`, changed);
    await settled(done, `saved: ${Object.keys(changed).join(", ")} of ${called(done.mark)}`);
  });
  return el("form", {
    "aria-label": `change ${seen(called(m))}`,
    on: {
      submit: (event) => { event.preventDefault(); save(); },
      keydown: (event) => {
        if (event.key === "Escape") { event.stopPropagation(); reset(); say("changes dropped"); }
        if (event.key === "Enter" && event.ctrlKey && event.target === note) { event.preventDefault(); save(); }
      },
    },
  },
  el("h4", {}, "Change it"),
  el("div", { class: "row" }, field("name", name), field("kind", kind)),
  field("note", note),
  tick("hazard: a danger to the boat", hazard), " ",
  tick("private: in no file, map or table that is handed over", hidden),
  el("div", { class: "buttons" }, el("button", { class: "main" }, "save"), button("cancel", () => { reset(); say("changes dropped"); })));
}
function visiting(m) {
  const result = el("input", { type: "text", autocomplete: "off", maxlength: "2000", dir: "auto" });
  const note = el("input", { type: "text", autocomplete: "off", maxlength: "2000", dir: "auto" });
  return el("form", {
    "aria-label": `add a visit to ${seen(called(m))}`,
    on: { submit: (event) => {
      event.preventDefault();
      attempt(async () => {
        const done = await tell(`/api/marks/${encoded(m)}/visits`, { result: result.value.trim(), note: note.value.trim() });
        await settled(done, `a visit to ${called(done.mark)} was added`);
      });
    } },
  },
  el("h4", {}, "Add a visit"),
  el("div", { class: "row" }, field("what came of it", result), field("tide, wind, depth or the like", note)),
  el("div", { class: "buttons" }, el("button", {}, "add the visit")));
}
/** Put a changed mark in its place without reading all others again. */
async function settled(done, words) {
  const mark = done.mark, at = marks.findIndex((m) => m.id === mark.id);
  if (at < 0) { await reload(); say(words, done.notes); return; }
  await kindsHave(mark.kind);
  const old = marks[at];
  remember(mark);
  marks[at] = mark;
  byMark.set(mark.id, mark);
  const inOrder = order.indexOf(old);
  if (inOrder >= 0) order[inOrder] = mark;
  fillKinds();
  map?.show(filtered());
  dropOpened();
  renew(mark.id);
  entryOf(mark.id)?.querySelector(".opener").focus();
  say(words, done.notes);
  await readQuestions();
}

/* ---- questions ------------------------------------------------------------------------------ */
const pairOf = (q) => [q.a, q.b].sort().join(" ");
async function readQuestions() {
  questions = (await ask(`/api/folds?units=${lengthSystem()}`)).questions;
  showQuestions();
}
function showQuestions() {
  smallMaps.forEach((m) => m.remove());
  smallMaps = [];
  watcher.disconnect();
  const left = questions.filter((q) => !later.has(pairOf(q)) && byMark.has(q.a) && byMark.has(q.b));
  byId("asks").hidden = !questions.length;
  const put = questions.length - left.length;
  byId("ask-count").textContent = [left.length ? left.length === 1 ? "1 pair might be one thing." : `${plural(left.length, "pair")} might each be one thing; the likeliest first.` : "No question is left for now.", put ? `${plural(put, "question")} put off.` : ""].join(" ");
  byId("questions").replaceChildren(...left.slice(0, askedTo).map(question));
  byId("more-questions").hidden = left.length <= askedTo;
}
const watcher = new IntersectionObserver((seenNow) => {
  for (const { target, isIntersecting } of seenNow) {
    if (!isIntersecting || !target.isConnected) continue;
    watcher.unobserve(target);
    const two = [byMark.get(target.dataset.a), byMark.get(target.dataset.b)];
    if (!two[0] || !two[1]) continue;
    smallMaps.push(seaMap(target, { marks: two, least: 20, label: `map of ${two.map((m) => seen(called(m))).join(" and ")}`, onPick: (m) => openEntry(m.id, true) }));
  }
}, { rootMargin: "300px" });
function question(q) {
  const where = el("div", { class: "small", "data-a": q.a, "data-b": q.b });
  const words = userText(q.words, "p"), id = freshId("question");
  words.id = id;
  const give = (answer) => attempt(async () => {
    const [a, b] = q.names.map(seen);
    const done = await tell("/api/folds", { a: q.a, b: q.b, answer });
    await reload();
    say(answer === "yes" ? `${a} and ${b} are one thing` : `${a} and ${b} stay two things`, done.notes);
    (byId("questions").querySelector("button") || byId("find")).focus({ preventScroll: true });
  });
  watcher.observe(where);
  return el("li", { class: "entry question" }, words, where,
    el("div", { class: "buttons", role: "group", "aria-labelledby": id },
      button("yes, one thing", () => give("yes")),
      button("no, two things", () => give("no")),
      button("not now", () => { later.add(pairOf(q)); showQuestions(); (byId("questions").querySelector(".buttons button") || byId("find")).focus({ preventScroll: true }); })));
}

/* ---- listening ------------------------------------------------------------------------------ */
let pause = 0;
const refind = () => { clearTimeout(pause); pause = setTimeout(() => { map?.show(filtered()); showList(); }, 120); };
byId("find").addEventListener("input", refind);
byId("find").addEventListener("keydown", (event) => {
  if (event.key === "Escape") { byId("find").value = ""; refind(); }
  if (event.key === "Enter") event.preventDefault(); // the focus moves to a button, which it would press
  if (event.key === "Enter" && order.length) { clearTimeout(pause); map?.show(filtered()); showList(); if (order.length) openEntry(order[0].id, true); }
});
byId("kind").addEventListener("change", refind);
byId("order").addEventListener("change", () => showList());
byId("more").addEventListener("click", () => showPiece()?.querySelector(".opener").focus({ preventScroll: true }));
byId("more-questions").addEventListener("click", () => { askedTo += ASKED; showQuestions(); });
document.addEventListener("lengths", () => attempt(async () => { showList(); await readQuestions(); }));

openPage("marks", reload);
