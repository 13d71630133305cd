/* The page of handing over: choose, look, write. */
import {
  ask, attempt, button, byId, confirmed, el, folderName, freshId, fromLength, kindWord, lengthSystem, lengthUnit, openPage, plural,
  positionText, say, seaMap, seen, sign, tell, toLength, userText,
} from "/static/common.js";

const PIECE = 100;
let marks = [], map = null, unticked = new Set(), picked = new Set(), looked = "";
const EDGES = ["west", "south", "east", "north"];
const number = (id) => (byId(id).value.trim() === "" ? null : Number(byId(id).value));

/* ---- the choice ------------------------------------------------------------------------------ */
function area() {
  const edges = EDGES.map(number);
  if (edges.every((v) => v === null)) return null;
  if (edges.some((v) => v === null || !Number.isFinite(v))) throw new Error("fill in all four edges of the area, or none");
  if (edges.some((v, i) => Math.abs(v) > (i % 2 ? 90 : 180))) throw new Error("edges go from -180 to 180 degrees west to east and from -90 to 90 south to north");
  if (edges[1] > edges[3]) throw new Error("the south edge lies north of the north edge; exchange them");
  return edges;
}
function setArea(box) {
  EDGES.forEach((id, i) => { byId(id).value = box ? String(+box[i].toFixed(6)) : ""; });
  changed();
}
function above(id, what) {
  const value = number(id);
  if (value !== null && !(value > 0)) throw new Error(`${what} must be above zero; leave it empty for none`);
  return value === null ? null : fromLength(value);
}
/** What is asked of the server. */
function choice() {
  const words = [...new Set(marks.map((m) => m.kind))], ticked = words.filter((k) => !unticked.has(k));
  if (marks.length && !ticked.length) throw new Error("no kind is ticked; tick one at least");
  const out = { with_private: byId("private").checked, clean: document.querySelector("input[name=clean]:checked").value === "clean", limits: byId("limits").value, units: lengthSystem() };
  if (ticked.length < words.length) out.kinds = ticked;
  const within = area(), r95 = above("r95", "R95"), blur = above("blur", "the blur");
  if (within) out.within = within;
  if (byId("since").value) out.since = byId("since").value;
  if (r95 !== null) out.r95_at_most_m = r95;
  if (blur !== null) out.blur_m = blur;
  return out;
}
function pick() {
  let asked;
  try { asked = choice(); } catch { asked = null; }
  picked = new Set(asked === null ? [] : marks.filter((m) => {
    if (m.private && !asked.with_private) return false;
    if (asked.kinds && !asked.kinds.includes(m.kind)) return false;
    if (asked.since && !(m.last_time && m.last_time >= asked.since)) return false;
    if (asked.r95_at_most_m && !(m.r95_m !== null && m.r95_m <= asked.r95_at_most_m)) return false;
    if (!asked.within) return true;
    const [west, south, east, north] = asked.within;
    return (west <= east ? m.lon >= west && m.lon <= east : m.lon >= west || m.lon <= east) && m.lat >= south && m.lat <= north;
  }).map((m) => m.id));
  return asked;
}
function changed() {
  const asked = pick();
  byId("count").textContent = marks.length ? `${picked.size.toLocaleString("en")} of ${plural(marks.length, "mark")} chosen.` : "There is no mark in the book yet.";
  map?.area(asked?.within || null);
  byId("stale").hidden = !looked || looked === JSON.stringify(asked);
}
async function reload() {
  marks = (await ask("/api/marks")).marks;
  const count = new Map();
  for (const m of marks) count.set(m.kind, (count.get(m.kind) || 0) + 1);
  byId("kinds").replaceChildren(...[...count].sort((a, b) => a[0].localeCompare(b[0])).map(([kind, n]) => {
    const box = el("input", { type: "checkbox", checked: !unticked.has(kind), on: { change: () => { if (box.checked) unticked.delete(kind); else unticked.add(kind); changed(); } } });
    return el("label", { class: "tick" }, box, sign(kind), el("span", {}, userText(kindWord(kind)), ` (${n.toLocaleString("en")})`));
  }));
  const hidden = marks.filter((m) => m.private).length;
  byId("private-words").textContent = hidden ? `private marks too (${hidden.toLocaleString("en")})` : "private marks too (there is none)";
  byId("private").disabled = !hidden;
  if (!hidden) byId("private").checked = false;
  byId("write").textContent = `write it into the folder ${seen(folderName())}`;
  map?.remove();
  const box = el("div", { id: "map" });
  byId("map").replaceWith(box);
  box.hidden = !marks.length;
  map = marks.length ? seaMap(box, { marks, label: "map of the marks; those not chosen are pale", faint: (m) => !picked.has(m.id), onBox: (found) => { byId("drag").setAttribute("aria-pressed", "false"); if (found) { setArea(found); say("the box is the area now"); } } }) : null;
  byId("preview").replaceChildren();
  looked = "";
  units();
  changed();
}
function units() {
  byId("r95-label").textContent = `R95 at most, in ${lengthUnit()}`;
  byId("blur-label").textContent = `blur for sharing: move positions by up to, in ${lengthUnit()}`;
}

/* ---- looking --------------------------------------------------------------------------------- */
async function look() {
  const asked = choice(), found = await tell("/api/hand-over/preview", asked);
  looked = JSON.stringify(asked);
  byId("stale").hidden = true;
  const title = freshId("notes"), body = el("tbody"), several = found.files > 1;
  const heads = ["name in the book", "name on the plotter", "note", "position", several && "file"].filter(Boolean);
  const table = el("table", {},
    el("caption", {}, `${plural(found.rows.length, "mark")} in ${plural(found.files, "file")}, the most important first`),
    el("thead", {}, el("tr", {}, heads.map((h) => el("th", { scope: "col", class: h === "file" ? "short" : null }, h)))), body);
  const more = button("", () => piece(), { hidden: true });
  let to = 0;
  function piece() {
    body.append(...found.rows.slice(to, to + PIECE).map((r) => el("tr", {},
      el("th", { scope: "row", dir: "auto" }, r.before ? userText(r.before) : el("span", { class: "faint" }, "no name")),
      el("td", { class: r.before === r.name ? null : "changed", dir: "auto" }, r.name ? userText(r.name) : el("span", { class: "faint" }, "no name")),
      el("td", { class: "long", dir: "auto" }, userText(r.note, "span", "said lines")),
      el("td", { class: "figures" }, positionText(r.lon, r.lat)),
      several && el("td", { class: "short" }, String(r.file)))));
    to = Math.min(to + PIECE, found.rows.length);
    more.hidden = to >= found.rows.length;
    more.textContent = `show ${Math.min(PIECE, found.rows.length - to)} more of ${found.rows.length - to}`;
  }
  piece();
  byId("preview").replaceChildren(
    el("h3", { id: title }, "What is done to them"),
    el("ul", { class: "reasons", "aria-labelledby": title }, found.notes.length ? found.notes.map((n) => userText(n, "li")) : el("li", {}, "nothing: names and notes fit as they are")),
    el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "names and notes as the plotter gets them" }, table),
    el("div", { class: "buttons" }, more));
  say(`the plotter will get ${plural(found.rows.length, "mark")} in ${plural(found.files, "file")}`);
}

/* ---- writing --------------------------------------------------------------------------------- */
const ENDING = { gpx: ".gpx", map: ".html", table: ".csv" };
const WHAT = {
  gpx: "Names and notes as shown above, one file or more. The book remembers what was handed over, so that it knows the marks again when they come back.",
  map: "The chosen marks with their errors, on one page that needs no network; names as in the book.",
  table: "A row a mark, for a spreadsheet; names as in the book.",
};
const format = () => document.querySelector("input[name=as]:checked").value;
function asChanged() {
  byId("as-how").textContent = WHAT[format()];
  byId("name").value = (byId("name").value.replace(/\.(gpx|html|csv)$/i, "") || "marks") + ENDING[format()];
}
async function write(toBrowser) {
  const asked = { ...choice(), as: format(), name: byId("name").value.trim(), to_browser: toBrowser };
  let done = await tell("/api/hand-over/write", asked);
  if (done.exists) {
    const one = done.exists.length === 1, names = done.exists.map(seen).join(" and ");
    const replace = await confirmed(`${names} ${one ? "is" : "are"} there already. Replace ${one ? "it" : "them"}?`, one ? "replace it" : "replace them", "keep what is there");
    if (!replace) { say("nothing was written"); return; }
    done = await tell("/api/hand-over/write", { ...asked, overwrite: true });
  }
  if (toBrowser) {
    const address = URL.createObjectURL(new Blob([done.text], { type: done.type }));
    const link = el("a", { href: address, download: done.files[0] });
    link.click();
    setTimeout(() => URL.revokeObjectURL(address), 60000);
  }
  const words = toBrowser ? `${done.files[0]} was given to the browser` : `written into the folder ${folderName()}: ${done.files.join(", ")}`;
  byId("written").replaceChildren(userText(`${words}.`, "p"), el("ul", { class: "reasons" }, done.notes.map((n) => userText(n, "li"))));
  say(words);
}

/* ---- listening ------------------------------------------------------------------------------- */
byId("choice").addEventListener("submit", (event) => { event.preventDefault(); attempt(look); });
byId("choice").addEventListener("input", changed);
byId("choice").addEventListener("change", changed);
byId("writing").addEventListener("submit", (event) => { event.preventDefault(); attempt(() => write(false)); });
byId("give").addEventListener("click", () => attempt(() => write(true)));
document.querySelectorAll("input[name=as]").forEach((r) => r.addEventListener("change", asChanged));
byId("drag").addEventListener("click", () => {
  const on = byId("drag").getAttribute("aria-pressed") !== "true";
  byId("drag").setAttribute("aria-pressed", String(on));
  map?.dragBox(on);
});
byId("shown").addEventListener("click", () => { if (map) { setArea(map.box()); say("what the map shows is the area now"); } });
byId("everywhere").addEventListener("click", () => setArea(null));
byId("all-kinds").addEventListener("click", () => { unticked = new Set(); tickAll(true); });
byId("no-kinds").addEventListener("click", () => { unticked = new Set(marks.map((m) => m.kind)); tickAll(false); });
function tickAll(on) { byId("kinds").querySelectorAll("input").forEach((i) => { i.checked = on; }); changed(); }
byId("limits-file").addEventListener("change", () => attempt(async () => {
  const file = byId("limits-file").files[0];
  if (!file) return;
  if (file.size > 100000) throw new Error(`${file.name} is too large for a file of limits`);
  byId("limits").value = await file.text();
  changed();
  say(`limits read from ${file.name}`);
}));
let unitWas = fromLength(1);
document.addEventListener("lengths", () => {
  for (const id of ["r95", "blur"]) if (number(id) !== null) byId(id).value = String(+toLength(number(id) * unitWas).toPrecision(6));
  unitWas = fromLength(1);
  units();
  changed();
});

asChanged();
openPage("hand over", reload);
