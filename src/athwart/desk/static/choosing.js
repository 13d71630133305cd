/* Which marks: the choice by kind, area, quality and time, for every page that has its fields.
   The page holds, by id: count, map, drag, shown, everywhere, south, north, west, east, kinds,
   all-kinds, no-kinds, since, r95, r95-label, private, private-words; and for marks by name, if it
   has that, named, named-list, named-add, named-options. */
import { attempt, button, byId, el, fromLength, kindWord, lengthUnit, plural, say, seaMap, seen, sign, toLength, userText } from "/static/common.js";

const EDGES = ["west", "south", "east", "north"];
export const numberOf = (id) => (byId(id).value.trim() === "" ? null : Number(byId(id).value));
/** The metres of a field in the chosen unit; null if it is empty. */
export function above(id, what) {
  const value = numberOf(id);
  if (value !== null && !(value > 0)) throw new Error(`${what} must be above zero; leave it empty for none`);
  return value === null ? null : fromLength(value);
}
function area() {
  const edges = EDGES.map(numberOf);
  if (edges.every((v) => v === null)) return null;
  if (edges.some((v) => v === null || !Number.isFinite(v))) throw new Error("fill in all four edges of the area, or none");
  if (edges.some((v, i) => Math.abs(v) > (i % 2 ? 90 : 180))) throw new Error("edges go from -180 to 180 degrees west to east and from -90 to 90 south to north");
  if (edges[1] > edges[3]) throw new Error("the south edge lies north of the north edge; exchange them");
  return edges;
}

/** Wire the fields of a choice.

    options: `changed(asked)` is called after each change, with what is asked or null; `map` holds
    more options of the map. Returns `{ show(marks), asked(), picked(), map() }`: `asked()` is what
    the server is asked, and throws what is wrong as a sentence. */
export function choosing(options) {
  let marks = [], map = null, unticked = new Set(), picked = new Set();
  const named = new Map();

  function asked() {
    const words = [...new Set(marks.map((m) => m.kind))], ticked = words.filter((k) => !unticked.has(k));
    if (marks.length && !ticked.length) throw new Error("no kind is ticked; tick one at least");
    const out = { with_private: byId("private").checked };
    if (ticked.length < words.length) out.kinds = ticked;
    const within = area(), r95 = above("r95", "R95");
    if (within) out.within = within;
    if (byId("since").value) out.since = byId("since").value;
    if (r95 !== null) out.r95_at_most_m = r95;
    if (named.size) out.ids = [...named.keys()];
    return out;
  }
  function pick() {
    let choice;
    try { choice = asked(); } catch { choice = null; }
    picked = new Set(choice === null ? [] : marks.filter((m) => {
      if (m.private && !choice.with_private) return false;
      if (choice.ids && !named.has(m.id)) return false;
      if (choice.kinds && !choice.kinds.includes(m.kind)) return false;
      if (choice.since && !(m.last_time && m.last_time >= choice.since)) return false;
      if (choice.r95_at_most_m && !(m.r95_m !== null && m.r95_m <= choice.r95_at_most_m)) return false;
      if (!choice.within) return true;
      const [west, south, east, north] = choice.within;
      return (west <= east ? m.lon >= west && m.lon <= east : m.lon >= west || m.lon <= east) && m.lat >= south && m.lat <= north;
    }).map((m) => m.id));
    return choice;
  }
  function changed() {
    const choice = pick();
    byId("count").textContent = marks.length ? `${picked.size.toLocaleString("en")} of ${plural(marks.length, "mark")} chosen.` : "There is no mark in the book yet.";
    map?.area(choice?.within || null);
    options.changed(choice);
  }
  function setArea(box) {
    EDGES.forEach((id, i) => { byId(id).value = box ? String(+box[i].toFixed(6)) : ""; });
    changed();
  }
  function units() { byId("r95-label").textContent = `R95 at most, in ${lengthUnit()}`; }

  /* ---- marks by name ---- */
  const called = (m) => m.name || `${kindWord(m.kind)} ${m.id.slice(0, 8)}`;
  function showNamed() {
    const list = byId("named-list");
    if (!list) return;
    list.replaceChildren(...[...named.values()].map((m) => el("li", {}, sign(m.kind, m.hazard), userText(called(m)),
      button("leave out", () => { named.delete(m.id); showNamed(); changed(); byId("named").focus(); }, { "aria-label": `leave ${seen(called(m))} out` }))));
    list.hidden = !named.size;
  }
  function addNamed(m) {
    if (named.has(m.id)) named.delete(m.id); else named.set(m.id, m);
    showNamed();
    changed();
    say(named.has(m.id) ? `${called(m)} is chosen by name` : `${called(m)} is left out`);
  }
  function addTyped() {
    const text = byId("named").value.trim(), found = marks.filter((m) => called(m).trim().toLowerCase() === text.toLowerCase() || m.id === text);
    if (!text) throw new Error("type the name of a mark first");
    if (!found.length) throw new Error(`there is no mark called ${text}`);
    found.forEach((m) => named.set(m.id, m));
    byId("named").value = "";
    showNamed();
    changed();
  }
  if (byId("named")) {
    byId("named-add").addEventListener("click", () => attempt(addTyped));
    byId("named").addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); attempt(addTyped); } });
  }

  /** Show the marks of the book. */
  function show(list) {
    marks = list;
    const count = new Map();
    for (const m of marks) count.set(m.kind, (count.get(m.kind) || 0) + 1);
    byId("kinds").replaceChildren(...[...count].sort((a, b) => a[0].localeCompare(b[0])).map(([kind, n]) => {
      const box = el("input", { type: "checkbox", checked: !unticked.has(kind), on: { change: () => { if (box.checked) unticked.delete(kind); else unticked.add(kind); changed(); } } });
      return el("label", { class: "tick" }, box, sign(kind), el("span", {}, userText(kindWord(kind)), ` (${n.toLocaleString("en")})`));
    }));
    const hidden = marks.filter((m) => m.private).length, there = new Map(marks.map((m) => [m.id, m]));
    byId("private-words").textContent = hidden ? `private marks too (${hidden.toLocaleString("en")})` : "private marks too (there is none)";
    byId("private").disabled = !hidden;
    if (!hidden) byId("private").checked = false;
    for (const id of [...named.keys()]) if (there.has(id)) named.set(id, there.get(id)); else named.delete(id);
    showNamed();
    byId("named-options")?.replaceChildren(...marks.filter((m) => m.name).slice(0, 2000).map((m) => el("option", { value: seen(m.name) })));
    map?.remove();
    const box = el("div", { id: "map" });
    byId("map").replaceWith(box);
    box.hidden = !marks.length;
    map = marks.length ? seaMap(box, {
      marks, label: "map of the marks; those not chosen are pale", faint: (m) => !picked.has(m.id),
      onBox: (found) => { byId("drag").setAttribute("aria-pressed", "false"); if (found) { setArea(found); say("the box is the area now"); } },
      ...(options.map || {}),
    }) : null;
    units();
    changed();
  }

  for (const id of [...EDGES, "since", "r95", "private"]) byId(id).addEventListener("input", changed);
  byId("drag").addEventListener("click", () => {
    const on = byId("drag").getAttribute("aria-pressed") !== "true";
    byId("drag").setAttribute("aria-pressed", String(on));
    map?.dragBox(on);
  });
  byId("shown").addEventListener("click", () => { if (map) { setArea(map.box()); say("what the map shows is the area now"); } });
  byId("everywhere").addEventListener("click", () => setArea(null));
  const tickAll = (on) => {
    unticked = on ? new Set() : new Set(marks.map((m) => m.kind));
    byId("kinds").querySelectorAll("input").forEach((i) => { i.checked = on; });
    changed();
  };
  byId("all-kinds").addEventListener("click", () => tickAll(true));
  byId("no-kinds").addEventListener("click", () => tickAll(false));
  lengthFields(["r95"], () => { units(); changed(); });
  return { show, asked, changed, toggle: addNamed, picked: () => picked, map: () => map };
}

/** Keep fields of lengths true when the unit changes: what stands in them is put into the new one. */
export function lengthFields(ids, then) {
  let was = fromLength(1);
  document.addEventListener("lengths", () => {
    for (const id of ids) if (numberOf(id) !== null) byId(id).value = String(+toLength(numberOf(id) * was).toPrecision(6));
    was = fromLength(1);
    then?.();
  });
}

/** Read a file of limits into a field as soon as it is chosen. */
export function limitsFile(input, field, then) {
  input.addEventListener("change", () => attempt(async () => {
    const file = input.files[0];
    if (!file) return;
    if (file.size > 100000) throw new Error(`${file.name} is too large for a file of limits`);
    field.value = await file.text();
    then?.();
    say(`limits read from ${file.name}`);
  }));
}
