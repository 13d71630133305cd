/* What every page of the desk shares. How to use it:

     import { openPage, el, ask, tell, attempt, say, work, seaMap, ... } from "/static/common.js";
     await openPage("marks", reload);     // head, book, kinds; reload() runs again after an undo

   - el(tag, attributes, ...children) makes an element; texts become text nodes, never markup.
     An attribute "on" holds listeners ({ click: f }); a value of false or null leaves it out.
   - seen(text) shows control and direction characters; userText(text) is an element for texts
     from data. There is no other way for data to reach the page.
   - ask(path) gets, tell(path, body) posts JSON, sendFile(path, file) posts bytes with their name;
     each throws an Error whose message is a sentence.
   - attempt(f) runs f and shows what it throws in the alert region; say(text) tells of a success.
   - work(job, place) shows a job's progress and a "stop" button in place; resolves to its result.
   - confirmed(question, yes, no) asks in a dialog; resolves to true or false. choice(question,
     [[key, words], ...]) has more answers; resolves to a key.
   - length(metres, digits), lengthUnit(), fromLength(number), lengthSystem(): the chosen units;
     the document hears "lengths" when the choice changes, and "scheme" for day and night.
   - sign(kind, hazard) draws a kind as SVG; kinds() lists them; kindWord(kind) names one.
   - seaMap(element, options) is a map without tiles; see there. */

const page = { book: null, folder: "", kinds: new Map(), kindList: [] };
const root = document.documentElement;
let numbers = 0;

/** Return an id that no other element has. */
export function freshId(word) { numbers += 1; return `${word}-${numbers}`; }

/* ---- elements -------------------------------------------------------------------------- */
export function el(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "on") for (const [event, f] of Object.entries(value)) element.addEventListener(event, f);
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(key, value);
  }
  element.append(...children.flat().filter((c) => c !== null && c !== undefined && c !== false));
  return element;
}
export function button(words, f, attributes = {}) {
  return el("button", { type: "button", ...attributes, on: { click: f } }, words);
}
export const byId = (id) => document.getElementById(id);

const UNSEEN = /[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u00ad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff\u{e0000}-\u{e007f}]/gu;
/** Text in which control and direction characters are seen and not obeyed. */
export function seen(text) {
  return String(text ?? "").replace(UNSEEN, (c) => `⟦U+${c.codePointAt(0).toString(16).toUpperCase().padStart(4, "0")}⟧`);
}
export function userText(text, tag = "span", className = "said") {
  return el(tag, { class: className, dir: "auto" }, seen(text));
}
export function plural(count, one, many = `${one}s`) { return `${count.toLocaleString("en")} ${count === 1 ? one : many}`; }

/* ---- questions to the server -------------------------------------------------------------- */
async function answered(request) {
  let response;
  try { response = await request; } catch { throw new Error("the desk does not answer; is athwart desk still running?"); }
  let body = null;
  try { body = await response.json(); } catch { /* refused before it was understood */ }
  if (response.ok && body !== null) return body;
  if (response.status === 401) throw new Error("the desk was opened anew; open the page with the address that it printed");
  throw new Error(body?.fault || "the desk could not answer that");
}
export function ask(path) { return answered(fetch(path)); }
export function tell(path, body = {}, how = {}) {
  return answered(fetch(path, { ...how, method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) }));
}
export function sendFile(path, file) {
  return answered(fetch(path, { method: "POST", headers: { "Content-Type": "application/octet-stream", "X-Name": encodeURIComponent(file.name) }, body: file }));
}

/* ---- what is said ------------------------------------------------------------------------- */
function sentence(text) {
  const words = seen(text).trim();
  return words && words[0].toUpperCase() + words.slice(1) + (/[.!?…]$/.test(words) ? "" : ".");
}
let toldNow = 0;
function toldBar(text, fault) {
  const bar = byId("told");
  const mine = ++toldNow;
  const place = fault ? byId("fault") : byId("note"), other = fault ? byId("note") : byId("fault");
  other.textContent = "";
  place.textContent = "";
  bar.hidden = false;
  bar.classList.toggle("fault", fault);
  // A live region speaks when its text changes, also where the same is said again.
  setTimeout(() => { if (mine === toldNow) place.textContent = text; }, 30);
}
/** Tell of something done; notes are further sentences. */
export function say(text, notes = []) { toldBar([text, ...notes].map(sentence).join(" "), false); }
export function sayFault(text) { toldBar(sentence(text), true); }
/** Run something that may be refused; what it throws is shown as a sentence. */
export async function attempt(f) {
  try { return await f(); } catch (error) { sayFault(error.message || String(error)); return undefined; }
}
function makeToldBar() {
  const close = button("close", () => { byId("told").hidden = true; byId("fault").textContent = byId("note").textContent = ""; });
  document.body.append(
    el("div", { id: "told", hidden: true },
      el("div", {}, el("div", { class: "words" },
        el("div", { id: "fault", role: "alert" }), el("div", { id: "note", role: "status" })), close)));
}

/* ---- jobs --------------------------------------------------------------------------------- */
/** Show how far a job is, with a button that stops it; resolve to its result. */
export async function work(job, place, title = "working") {
  const bar = el("progress", { max: "1", "aria-label": title });
  const words = el("p", { role: "status" }, title);
  const stop = button("stop", () => attempt(async () => {
    stop.disabled = true;
    words.textContent = "stopping…";
    await tell(`/api/jobs/${encodeURIComponent(job.job)}/stop`);
  }));
  const box = el("div", { class: "job" }, words, bar, el("div", { class: "buttons" }, stop));
  place.replaceChildren(box);
  try {
    let wait = 60;
    while (!job.done) {
      await new Promise((f) => setTimeout(f, wait));
      wait = Math.min(wait * 1.5, 500);
      job = await ask(`/api/jobs/${encodeURIComponent(job.job)}`);
      if (job.share > 0) bar.value = job.share;
      if (!stop.disabled && job.what && words.textContent !== job.what) words.textContent = job.what;
    }
  } finally { box.remove(); }
  if (job.fault) throw new Error(job.fault);
  return job.result;
}

/* ---- dialogs ------------------------------------------------------------------------------ */
/** Open a dialog; resolve when it is closed. */
export function openDialog(title, content) {
  const id = freshId("title");
  const dialog = el("dialog", { "aria-labelledby": id }, el("h2", { id }, title), content);
  document.body.append(dialog);
  const closed = new Promise((f) => dialog.addEventListener("close", () => { dialog.remove(); f(dialog.returnValue); }));
  dialog.showModal();
  return { dialog, closed };
}
/** Ask a question with some answers, a key and words each; resolves to a key. Escape is the last answer. */
export async function choice(question, answers) {
  const box = el("div", { class: "buttons" });
  const { dialog, closed } = openDialog(question, box);
  box.append(...answers.map(([key, words], k) => button(words, () => dialog.close(key), k ? {} : { class: "main" })));
  box.lastChild.focus();
  return (await closed) || answers.at(-1)[0];
}
/** Ask a question with two answers; Escape is the second. */
export async function confirmed(question, yes, no) {
  return (await choice(question, [["yes", yes], ["no", no]])) === "yes";
}

/* ---- lengths ------------------------------------------------------------------------------ */
const LENGTHS = { metric: [1, "m", "metres"], feet: [0.3048, "ft", "feet"], fathoms: [1.8288, "fm", "fathoms"] };
let lengths = "metric";
function kept(key) { try { return localStorage.getItem(key); } catch { return null; } }
function keep(key, value) { try { localStorage.setItem(key, value); } catch { /* only this once */ } }
export function lengthSystem() { return lengths; }
export function lengthUnit() { return LENGTHS[lengths][1]; }
export function fromLength(number) { return number * LENGTHS[lengths][0]; }
export function toLength(metres) { return metres / LENGTHS[lengths][0]; }
/** Write a length; one decimal below 10 unless told. */
export function length(metres, digits) {
  if (metres === null || metres === undefined || !Number.isFinite(metres)) return "not known";
  const value = toLength(metres);
  return `${value.toFixed(digits ?? (Math.abs(value) < 10 ? 1 : 0))} ${lengthUnit()}`;
}

/* ---- kinds -------------------------------------------------------------------------------- */
const ROOM = {
  triangle: [17, 17], diamond: [22, 17], circle: [18, 18], lens: [22, 13], basin: [25, 15],
  trapezium: [24, 15], hexagon: [25, 16], bar: [25, 12], capsule: [28, 14], square: [18, 15],
};
/** Outline of a plain shape about the origin, as the path of SVG and of the canvas. */
function outline(shape, w, h) {
  const x = w / 2, y = h / 2, r = Math.max(x, y);
  const poly = (...p) => `M${p.map((q) => q.map((v) => v.toFixed(2)).join(" ")).join("L")}Z`;
  switch (shape) {
    case "triangle": return poly([0, -y * 1.25], [x * 1.2, y], [-x * 1.2, y]);
    case "basin": return poly([-x, -y], [x, -y], [x * 0.55, y], [-x * 0.55, y]);
    case "trapezium": return poly([-x * 0.6, -y], [x * 0.6, -y], [x, y], [-x, y]);
    case "diamond": return poly([0, -y * 1.3], [x * 1.15, 0], [0, y * 1.3], [-x * 1.15, 0]);
    case "hexagon": return poly([-x, 0], [-x * 0.55, -y], [x * 0.55, -y], [x, 0], [x * 0.55, y], [-x * 0.55, y]);
    case "circle": return `M${-r} 0A${r} ${r} 0 1 1 ${r} 0A${r} ${r} 0 1 1 ${-r} 0Z`;
    case "lens": return `M${-x * 1.15} 0Q0 ${-y * 2.1} ${x * 1.15} 0Q0 ${y * 2.1} ${-x * 1.15} 0Z`;
    case "capsule": return `M${-x + y} ${y}A${y} ${y} 0 0 1 ${-x + y} ${-y}L${x - y} ${-y}A${y} ${y} 0 0 1 ${x - y} ${y}Z`;
    default: return poly([-x, -y], [x, -y], [x, y], [-x, y]);
  }
}
function isDark(colour) {
  const v = parseInt(colour.slice(1), 16);
  return 0.299 * (v >> 16) + 0.587 * ((v >> 8) & 255) + 0.114 * (v & 255) < 110;
}
const OTHER = { word: "other", code: "?", shape: "circle", colour: "#ffffff" };
export function symbolOf(kind) { return page.kinds.get(kind) || page.kinds.get("") || OTHER; }
/** Symbols of all kinds, each `{ word, code, shape, colour }`. */
export function kinds() { return page.kindList; }
export function kindWord(kind) { return kind || "kind not given"; }
function roomOf(symbol) {
  let [w, h] = ROOM[symbol.shape] || ROOM.square;
  if (symbol.shape === "square" || symbol.shape === "bar") w = Math.max(w, symbol.code.length * 6.6 + 7);
  return [w, h];
}
const SVG = "http://www.w3.org/2000/svg";
function svg(tag, attributes) {
  const element = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}
/** Draw a kind; it says nothing to a screen reader, the words beside it do. */
export function sign(kind, hazard = false) {
  const symbol = symbolOf(kind), [w, h] = roomOf(symbol);
  const picture = svg("svg", { class: isDark(symbol.colour) ? "sign dark" : "sign", viewBox: "-23 -15 46 30", "aria-hidden": "true", focusable: "false" });
  if (hazard) picture.append(svg("circle", { class: "ring", r: Math.max(w, h) / 2 + 4 }));
  picture.append(svg("path", { class: "shape", d: outline(symbol.shape, w, h), fill: symbol.colour }));
  const code = svg("text", { y: symbol.shape === "triangle" ? 6.5 : 3.8 });
  code.textContent = seen(symbol.code);
  picture.append(code);
  return picture;
}
async function readKinds() {
  page.kindList = (await ask("/api/kinds")).kinds;
  page.kinds = new Map(page.kindList.map((k) => [k.word, k]));
}
/** Make sure that a word just given has a symbol. */
export async function kindsHave(kind) { if (!page.kinds.has(kind)) await readKinds(); }

/* ---- day and night ------------------------------------------------------------------------ */
const prefersNight = window.matchMedia("(prefers-color-scheme: dark)");
function scheme() { return kept("athwart-scheme") || (prefersNight.matches ? "night" : "day"); }
function applyScheme() {
  root.dataset.scheme = scheme();
  byId("night")?.setAttribute("aria-pressed", String(root.dataset.scheme === "night"));
  document.dispatchEvent(new CustomEvent("scheme"));
}
root.dataset.scheme = scheme();
lengths = LENGTHS[kept("athwart-lengths")] ? kept("athwart-lengths") : "metric";
prefersNight.addEventListener("change", applyScheme);

/* ---- the head of the page ----------------------------------------------------------------- */
const PAGES = [["pictures", "/pictures"], ["marks", "/marks"], ["hand over", "/hand-over"], ["going back", "/going-back"]];

/** Build head and live regions, make sure that there is a book, read the kinds; then call
    `reload`, and again after each change taken back. */
export async function openPage(name, reload) {
  makeHead(name);
  makeToldBar();
  await attempt(async () => {
    await readBook();
    if (!page.book) await chooseBook();
    await readKinds();
    await reload();
  });
  document.addEventListener("changed", () => attempt(async () => { await readKinds(); await reload(); }));
  root.dataset.ready = "true";
}
export function folderName() { return page.folder; }
async function readBook() {
  const { book, folder } = await ask("/api/book");
  page.book = book;
  page.folder = folder;
  byId("book").replaceChildren(...(book ? ["book: ", userText(book, "strong")] : ["no book is open"]));
}
function makeHead(name) {
  const nav = el("nav", { "aria-label": "pages" }, el("ul", {}, PAGES.map(([word, path]) =>
    el("li", {}, el("a", { href: path, "aria-current": word === name ? "page" : null }, word)))));
  const unit = el("select", { id: "lengths", on: { change: () => {
    lengths = unit.value;
    keep("athwart-lengths", lengths);
    document.dispatchEvent(new CustomEvent("lengths"));
  } } }, Object.entries(LENGTHS).map(([key, v]) => el("option", { value: key, selected: key === lengths }, v[2])));
  byId("head").append(nav, el("div", { class: "tools" },
    el("p", { class: "book", id: "book" }),
    button("take back the last change", () => attempt(() => takeBack()), { id: "undo" }),
    button("the log", () => attempt(showLog), { id: "log" }),
    el("label", {}, "lengths in ", unit),
    button("night", () => { keep("athwart-scheme", scheme() === "night" ? "day" : "night"); applyScheme(); },
      { id: "night", "aria-pressed": String(scheme() === "night") })));
}
async function takeBack(number) {
  const done = await tell("/api/undo", number === undefined ? {} : { number });
  document.dispatchEvent(new CustomEvent("changed"));
  const { what, sentence: of } = done.taken_back;
  say(what === "undo" ? `brought back what entry ${done.taken_back.takes_back} had done` : `taken back: ${of}`, done.notes);
}
const MOST_ENTRIES = 200;
async function showLog() {
  const { entries } = await ask("/api/log");
  const list = el("ol", { class: "log", tabindex: "0", "aria-label": "changes, the latest first" });
  const done = button("close", () => dialog.close());
  const { dialog } = openDialog("The log: every change, the latest first",
    el("div", {}, entries.length ? list : el("p", {}, "Nothing has been changed yet."), el("div", { class: "buttons" }, done)));
  for (const e of entries.slice(0, MOST_ENTRIES)) {
    const back = e.stands && button("take this back", () => attempt(async () => { dialog.close(); await takeBack(e.number); }),
      { "aria-label": `take entry ${e.number} back` });
    list.append(el("li", { class: "entry" },
      el("div", { class: "faint figures" }, `${e.number} · ${e.time.slice(0, 16).replace("T", " ")} UTC · ${e.what}`),
      userText(e.sentence, "p", e.taken_back_by && !e.stands ? "said withdrawn" : "said"),
      e.taken_back_by && !e.stands && el("p", { class: "faint" }, `taken back by entry ${e.taken_back_by}`),
      back && el("div", { class: "buttons" }, back)));
  }
  if (entries.length > MOST_ENTRIES) list.append(el("li", { class: "entry faint" }, `${plural(entries.length - MOST_ENTRIES, "older entry", "older entries")} not shown`));
  done.focus();
}
async function chooseBook() {
  const main = byId("main"), rest = [...main.children];
  const id = freshId("book");
  const input = el("input", { type: "text", id, value: "season.gpkg", autocomplete: "off", "aria-describedby": `${id}-how` });
  await new Promise((f) => {
    const form = el("form", { on: { submit: (event) => {
      event.preventDefault();
      attempt(async () => { await tell("/api/book", { name: input.value.trim() }); await readBook(); f(); });
    } } },
    el("h1", {}, "Which book?"),
    el("p", { id: `${id}-how` }, "A book keeps every trip in one file. Name one in the folder ", userText(page.folder, "strong"), "; it is made if there is none."),
    el("div", { class: "field" }, el("label", { for: id }, "file name, ending in .gpkg"), input),
    el("div", { class: "buttons" }, el("button", { class: "main" }, "open the book")));
    main.replaceChildren(form);
    root.dataset.ready = "true";
    input.focus();
  });
  main.replaceChildren(...rest);
}

/* ---- the map ------------------------------------------------------------------------------ */
/* Azimuthal equidistant about the middle of what is shown, with the ellipsoid's own radii there:
   metres in the middle are metres, also at a pole and across the 180th meridian (Snyder 1987). */
const A = 6378137, E2 = (1 / 298.257223563) * (2 - 1 / 298.257223563), RAD = Math.PI / 180;
const CHI95 = 2.447746830680816; // square root of the 95 % point of chi-square, 2 degrees of freedom
function planeAbout(lon0, lat0) {
  const s0 = Math.sin(lat0 * RAD), c0 = Math.cos(lat0 * RAD), w = 1 - E2 * s0 * s0;
  const east = A / Math.sqrt(w), north = (A * (1 - E2)) / (w * Math.sqrt(w));
  return {
    north,
    xy(lon, lat) {
      const s = Math.sin(lat * RAD), c = Math.cos(lat * RAD), d = (lon - lon0) * RAD;
      const x = c * Math.sin(d), y = c0 * s - s0 * c * Math.cos(d), sin = Math.hypot(x, y);
      const angle = Math.atan2(sin, s0 * s + c0 * c * Math.cos(d)), k = sin < 1e-14 ? 1 : angle / sin;
      return [east * k * x, north * k * y];
    },
    lonLat(px, py) {
      const x = px / east, y = py / north, c = Math.hypot(x, y);
      if (c < 1e-15) return [lon0, lat0];
      const s = Math.sin(c), t = Math.cos(c);
      const lat = Math.asin(Math.max(-1, Math.min(1, t * s0 + (y * s * c0) / c)));
      const lon = lon0 + Math.atan2(x * s, c * c0 * t - y * s0 * s) / RAD;
      return [((((lon + 180) % 360) + 360) % 360) - 180, lat / RAD];
    },
  };
}
function middleOf(places) {
  let x = 0, y = 0, z = 0;
  for (const p of places) {
    const c = Math.cos(p.lat * RAD);
    x += c * Math.cos(p.lon * RAD); y += c * Math.sin(p.lon * RAD); z += Math.sin(p.lat * RAD);
  }
  return places.length ? [Math.atan2(y, x) / RAD, Math.atan2(z, Math.hypot(x, y)) / RAD] : [0, 0];
}
export function angleText(value, letters, digits = 3) {
  const unit = 10 ** digits, whole = Math.round(Math.abs(value) * 60 * unit);
  const degrees = Math.floor(whole / (60 * unit)), minutes = ((whole - degrees * 60 * unit) / unit).toFixed(digits);
  const width = digits ? 3 + digits : 2;
  return `${degrees}°${minutes.padStart(width, "0")}'${letters[value < 0 ? 1 : 0]}`;
}
export function positionText(lon, lat) { return `${angleText(lat, "NS")} ${angleText(lon, "EW")}`; }
/** Metres between two places, good enough to sort by. */
export function farness(a, b) {
  const dLat = (a.lat - b.lat) * RAD, dLon = (a.lon - b.lon) * RAD;
  const h = Math.sin(dLat / 2) ** 2 + Math.cos(a.lat * RAD) * Math.cos(b.lat * RAD) * Math.sin(dLon / 2) ** 2;
  return 2 * 6371000 * Math.asin(Math.min(1, Math.sqrt(h)));
}
const STEPS = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 900, 1800];
const HALF = 26;

/** A map without tiles: graticule, marks as shapes, R95 ellipses to scale, a scale bar.

    options: `marks` (records of /api/marks, or anything with lon, lat and, if known, kind, hazard,
    name, id, ellipse), `label` (for a screen reader), `chosen` (id), `faint(mark)` (drawn pale),
    `lines` (arrays of [lon, lat]), `onPick(mark)`, `onSpot({ lon, lat, x, y })` (pointed at, where no
    mark was picked), `onMove()`, `onBox([west, south, east, north])`, `names` (draw names; true),
    `ringed(mark)` (drawn with a ring about it), `layer` (made by /static/plan-layer.js; drawn under the marks).
    Returns `{ map, show(marks), choose(id), redraw(), fit(marks), middle(), box(), area(box),
    lines(list), dragBox(on), remove() }`. */
export function seaMap(element, options = {}) {
  element.classList.add("sheet");
  let marks = options.marks || [], chosen = options.chosen ?? null, lines = options.lines || [], area = null;
  const middle = middleOf(options.about || marks), plane = planeAbout(...middle);
  const crs = L.Util.extend({}, L.CRS.Simple, {
    projection: {
      project: (p) => L.point(...plane.xy(p.lng, p.lat)),
      unproject: (p) => { const [lon, lat] = plane.lonLat(p.x, p.y); return L.latLng(lat, lon); },
      bounds: L.bounds([-2.1e7, -2.1e7], [2.1e7, 2.1e7]),
    },
    transformation: L.transformation(1, 0, -1, 0),
  });
  const still = { zoomAnimation: false, fadeAnimation: false, markerZoomAnimation: false, inertia: false };
  const map = L.map(element, {
    crs, zoomControl: false, attributionControl: false, scrollWheelZoom: Boolean(options.wheel),
    zoomSnap: 0.25, zoomDelta: 1, minZoom: -15, maxZoom: 6, ...still,
  });
  element.setAttribute("role", "application");
  element.setAttribute("aria-label", `${options.label || "map"}; arrow keys move it, plus and minus come nearer or go farther`);
  const canvas = el("canvas", { "aria-hidden": "true" }), c = canvas.getContext("2d");
  map.getPanes().overlayPane.appendChild(canvas);

  const control = (position, content) => {
    const made = new (L.Control.extend({ onAdd: () => content }))({ position });
    L.DomEvent.disableClickPropagation(content);
    map.addControl(made);
  };
  control("topright", el("div", { class: "map-buttons" },
    button("nearer", () => map.zoomIn()), button("farther", () => map.zoomOut()),
    button("all", () => fit(options.fitTo || marks))));
  const bar = el("div", { class: "map-scale" });
  control("bottomleft", bar);

  let X = [], Y = [], turn = [], waiting = 0, drawn = [];
  function place() {
    const places = marks.map((m) => plane.xy(m.lon, m.lat));
    X = places.map((p) => p[0]); Y = places.map((p) => p[1]);
    // Where north lies on the sheet there: an ellipse's bearing is counted from it.
    turn = marks.map((m, i) => {
      const step = m.lat > 89.999 ? -1e-4 : 1e-4, [x, y] = plane.xy(m.lon, m.lat + step);
      return Math.atan2((x - X[i]) * Math.sign(step), (y - Y[i]) * Math.sign(step));
    });
  }
  const ink = {};
  function readInk() {
    const style = getComputedStyle(root);
    for (const n of ["paper", "sheet", "ink", "faint", "rule", "accent", "wash"]) ink[n] = style.getPropertyValue(`--${n}`).trim();
    stamps.clear();
  }
  const stamps = new Map();
  let ratio = 1;
  function stamp(kind, hazard, small) {
    const key = `${kind} ${hazard} ${small}`;
    if (stamps.has(key)) return stamps.get(key);
    const picture = document.createElement("canvas"), s = picture.getContext("2d");
    picture.width = picture.height = HALF * 2 * ratio;
    s.scale(ratio, ratio); s.translate(HALF, HALF);
    const symbol = symbolOf(kind), night = root.dataset.scheme === "night";
    let [w, h] = roomOf(symbol);
    if (small) { w *= 0.45; h *= 0.45; }
    s.strokeStyle = ink.ink;
    if (hazard) {
      s.beginPath(); s.setLineDash([1.5, 2.5]); s.lineWidth = small ? 1 : 1.6;
      s.arc(0, 0, Math.max(w, h) / 2 + (small ? 2 : 5), 0, 7); s.stroke(); s.setLineDash([]);
    }
    const path = new Path2D(outline(symbol.shape, w, h));
    s.fillStyle = night ? ink.sheet : symbol.colour; s.fill(path);
    s.lineWidth = small ? 1 : 1.3; s.stroke(path);
    if (!small) {
      s.fillStyle = night ? ink.ink : isDark(symbol.colour) ? "#ffffff" : "#000000";
      s.font = '700 10px "Liberation Sans", Arial, Helvetica, sans-serif';
      s.textAlign = "center"; s.textBaseline = "middle";
      s.fillText(seen(symbol.code), 0, symbol.shape === "triangle" ? 3 : 0.5);
    }
    stamps.set(key, picture);
    return picture;
  }

  function draw() {
    waiting = 0;
    if (!element.isConnected) return;
    const { x: W, y: H } = map.getSize(), k = 2 ** map.getZoom(), min = map.getPixelBounds().min;
    if (!W || !H) return;
    const dpr = window.devicePixelRatio || 1;
    if (dpr !== ratio) { ratio = dpr; stamps.clear(); }
    if (canvas.width !== Math.round(W * dpr) || canvas.height !== Math.round(H * dpr)) {
      canvas.width = Math.round(W * dpr); canvas.height = Math.round(H * dpr);
      canvas.style.width = `${W}px`; canvas.style.height = `${H}px`;
    }
    L.DomUtil.setPosition(canvas, map.containerPointToLayerPoint([0, 0]));
    c.setTransform(dpr, 0, 0, dpr, 0, 0);
    c.clearRect(0, 0, W, H);
    const px = (x) => x * k - min.x, py = (y) => -y * k - min.y;
    const at = ([lon, lat]) => { const [x, y] = plane.xy(lon, lat); return [px(x), py(y)]; };
    drawGrid(W, H, k, at);
    for (const line of lines) {
      c.beginPath();
      line.map(at).forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
      c.strokeStyle = ink.ink; c.lineWidth = 1.5; c.stroke();
    }
    if (area) drawArea(at);
    const view = options.layer && { c, W, H, k, dpr, min, ink, plane };
    options.layer?.draw(view);
    drawn = [];
    for (let i = 0; i < marks.length; i++) {
      const x = px(X[i]), y = py(Y[i]), reach = marks[i].ellipse?.[0] * CHI95 * k || 0, pad = Math.max(40, reach);
      if (x > -pad && y > -pad && x < W + pad && y < H + pad) drawn.push([i, x, y]);
    }
    const crowded = drawn.length > 400 || (drawn.length > 60 && k < 0.05), pale = options.faint;
    drawn.sort((p, r) => (marks[p[0]].id === chosen) - (marks[r[0]].id === chosen) || p[0] - r[0]);
    for (const [i, x, y] of drawn) drawEllipse(marks[i], x, y, k, turn[i], marks[i].id === chosen, pale?.(marks[i]));
    for (const [i, x, y] of drawn) {
      const m = marks[i];
      c.globalAlpha = pale?.(m) ? 0.3 : 1;
      c.drawImage(stamp(m.kind || "", Boolean(m.hazard), crowded && m.id !== chosen), x - HALF, y - HALF, HALF * 2, HALF * 2);
      c.globalAlpha = 1;
      if (options.ringed?.(m)) {
        c.strokeStyle = ink.accent; c.lineWidth = 1.6;
        for (const r of [19, 23]) { c.beginPath(); c.arc(x, y, r, 0, 7); c.stroke(); }
      }
    }
    if (options.names !== false) drawNames(W, crowded);
    options.layer?.names(view, drawn);
    drawScale(k);
  }
  function drawEllipse(m, x, y, k, north, strong, pale) {
    if (!m.ellipse || m.ellipse[0] === null) return;
    const a = m.ellipse[0] * CHI95 * k, b = Math.max(m.ellipse[1] * CHI95 * k, 0.5);
    if (a < 3 && !strong) return;
    const weight = 1 / (1 + (m.ellipse[0] * CHI95) / 8), dim = pale ? 0.3 : 1;
    c.beginPath();
    c.ellipse(x, y, a, b, (m.ellipse[2] - 90) * RAD + north, 0, 7);
    c.globalAlpha = (0.05 + 0.2 * weight) * dim; c.fillStyle = strong ? ink.accent : ink.ink; c.fill();
    c.globalAlpha = strong ? 1 : (0.25 + 0.6 * weight) * dim; c.strokeStyle = strong ? ink.accent : ink.ink; c.lineWidth = strong ? 2 : 1; c.stroke();
    c.globalAlpha = 1;
  }
  function drawNames(W, crowded) {
    const some = drawn.length <= 60 && !crowded;
    const taken = some ? drawn.map(([, x, y]) => [x - 13, y - 10, x + 13, y + 10]) : [];
    c.font = `13px ${getComputedStyle(root).getPropertyValue("--text") || "serif"}`;
    c.textBaseline = "middle"; c.lineJoin = "round";
    for (const [i, x, y] of [...drawn].reverse()) {
      const m = marks[i], strong = m.id === chosen;
      if ((!some && !strong) || !m.name || options.faint?.(m)) continue;
      const text = seen(m.name).slice(0, 40), w = c.measureText(text).width, left = x + 20 + w > W && x - 20 - w > 0;
      const from = left ? x - 17 - w : x + 17, box = [from, y - 8, from + w, y + 8];
      if (!strong && taken.some((t) => t[0] < box[2] && t[2] > box[0] && t[1] < box[3] && t[3] > box[1])) continue;
      taken.push(box);
      c.textAlign = "left";
      c.strokeStyle = ink.sheet; c.lineWidth = 3; c.strokeText(text, from, y);
      c.fillStyle = strong ? ink.accent : ink.ink; c.fillText(text, from, y);
    }
  }
  function drawArea(at) {
    const [west, south, east, north] = area, width = east >= west ? east - west : east + 360 - west, n = 24, ring = [];
    for (let i = 0; i <= n; i++) ring.push([west + (width * i) / n, south]);
    for (let i = 0; i <= n; i++) ring.push([west + width, south + ((north - south) * i) / n]);
    for (let i = n; i >= 0; i--) ring.push([west + (width * i) / n, north]);
    c.beginPath();
    ring.map(at).forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
    c.closePath();
    c.globalAlpha = 0.08; c.fillStyle = ink.accent; c.fill(); c.globalAlpha = 1;
    c.setLineDash([6, 4]); c.strokeStyle = ink.accent; c.lineWidth = 2; c.stroke(); c.setLineDash([]);
  }
  function viewBox() {
    const { x: W, y: H } = map.getSize(), k = 2 ** map.getZoom(), min = map.getPixelBounds().min;
    return degreesOf(0, 0, W, H, k, min);
  }
  /* West, south, east and north of a rectangle on the screen. */
  function degreesOf(x0, y0, x1, y1, k, min) {
    const mid = plane.lonLat(((x0 + x1) / 2 + min.x) / k, -((y0 + y1) / 2 + min.y) / k);
    const at = (x, y) => plane.lonLat((x + min.x) / k, -(y + min.y) / k);
    let west = 0, east = 0, south = mid[1], north = mid[1];
    for (let i = 0; i <= 16; i++) {
      const u = x0 + ((x1 - x0) * i) / 16, v = y0 + ((y1 - y0) * i) / 16;
      for (const [lon, lat] of [at(u, y0), at(u, y1), at(x0, v), at(x1, v)]) {
        const d = ((((lon - mid[0] + 180) % 360) + 360) % 360) - 180;
        west = Math.min(west, d); east = Math.max(east, d);
        south = Math.min(south, lat); north = Math.max(north, lat);
      }
    }
    for (const pole of [90, -90]) {
      const [x, y] = plane.xy(0, pole), sx = x * k - min.x, sy = -y * k - min.y;
      if (sx >= x0 && sx <= x1 && sy >= y0 && sy <= y1) { west = -180; east = 180; if (pole > 0) north = 90; else south = -90; }
    }
    if (east - west >= 359) return [-180, south, 180, north];
    const wrap = (v) => ((((v + 180) % 360) + 360) % 360) - 180;
    return [wrap(mid[0] + west), south, wrap(mid[0] + east), north];
  }
  function drawGrid(W, H, k, at) {
    const [west, south, eastRaw, north] = viewBox();
    const east = eastRaw >= west ? eastRaw : eastRaw + 360;
    const wanted = 110, perMinute = (k * plane.north * RAD) / 60;
    const lat0 = Math.min(89.5, Math.abs((south + north) / 2));
    const step = (each) => STEPS.find((s) => s * each >= wanted) || STEPS[STEPS.length - 1];
    const dLat = step(perMinute) / 60, dLon = step(perMinute * Math.cos(lat0 * RAD)) / 60;
    const digits = (d) => (d * 60 >= 1 ? 0 : d * 60 >= 0.1 ? 1 : d * 60 >= 0.01 ? 2 : 3);
    c.strokeStyle = ink.rule; c.lineWidth = 1; c.fillStyle = ink.faint;
    c.font = '11px "DejaVu Sans Mono", Consolas, Menlo, monospace';
    const one = (points, text, upright) => {
      c.beginPath();
      let label = null;
      points.forEach((p, i) => {
        const [x, y] = at(p);
        if (i) c.lineTo(x, y); else c.moveTo(x, y);
        if (x >= 0 && y >= 0 && x <= W && y <= H && (!label || (upright ? y < label[1] : x < label[0]))) label = [x, y];
      });
      c.stroke();
      if (!label) return;
      c.textAlign = "left"; c.textBaseline = "alphabetic";
      if (upright) c.fillText(text, label[0] + 3, Math.max(12, Math.min(label[1] + 12, H - 4)));
      else if (label[1] > 30 && label[1] < H - 40) c.fillText(text, Math.max(3, Math.min(label[0] + 3, W - 90)), label[1] - 3);
    };
    const N = 48, spread = (a, b) => Array.from({ length: N + 1 }, (_, i) => a + ((b - a) * i) / N);
    for (let i = Math.ceil(west / dLon), n = 0; i * dLon <= east && n < 60; i++, n++) {
      const lon = i * dLon, shown = ((((lon + 180) % 360) + 360) % 360) - 180;
      one(spread(south, north).map((lat) => [lon, lat]), angleText(shown, "EW", digits(dLon)), true);
    }
    for (let i = Math.ceil(south / dLat), n = 0; i * dLat <= north && n < 60; i++, n++) {
      const lat = i * dLat;
      if (Math.abs(lat) < 90) one(spread(west, east).map((lon) => [lon, lat]), angleText(lat, "NS", digits(dLat)), false);
    }
  }
  function drawScale(k) {
    const most = toLength(90 / k), power = 10 ** Math.floor(Math.log10(most));
    const number = [5, 2, 1].map((n) => n * power).find((n) => n <= most);
    const width = `${(fromLength(number) * k).toFixed(1)}px`;
    if (bar.style.width !== width) bar.style.width = width;
    const text = lengthSystem() === "metric" && number >= 1000 ? `${number / 1000} km` : `${+number.toPrecision(1)} ${lengthUnit()}`;
    if (bar.textContent !== text) bar.textContent = text;
  }
  function redraw() { if (!waiting) waiting = requestAnimationFrame(draw); }
  function fit(some) {
    if (!some.length) { map.setView([middle[1], middle[0]], -2, { animate: false }); return; }
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    for (const m of some) {
      const [x, y] = plane.xy(m.lon, m.lat), r = Math.min((m.ellipse?.[0] || 0) * CHI95, 3e5);
      box[0] = Math.min(box[0], x - r); box[1] = Math.min(box[1], y - r);
      box[2] = Math.max(box[2], x + r); box[3] = Math.max(box[3], y + r);
    }
    const { x: W, y: H } = map.getSize(), least = options.least || 60;
    const k = Math.min((W - 90) / Math.max(box[2] - box[0], least), (H - 90) / Math.max(box[3] - box[1], least));
    const [lon, lat] = plane.lonLat((box[0] + box[2]) / 2, (box[1] + box[3]) / 2);
    map.setView([lat, lon], Math.max(-15, Math.min(6, Math.floor(Math.log2(Math.max(k, 1e-6)) * 4) / 4)), { animate: false });
  }

  map.on("click", (event) => {
    if (!options.onPick && !options.onSpot) return;
    // What is pointed at is judged by the sheet as it lies, not by the picture about to be replaced.
    if (waiting) { cancelAnimationFrame(waiting); draw(); }
    let best = null, least = 26;
    for (const [i, x, y] of drawn) {
      const d = Math.hypot(x - event.containerPoint.x, y - event.containerPoint.y);
      if (d < least && !options.faint?.(marks[i])) { least = d; best = marks[i]; }
    }
    if (best && options.onPick) { options.onPick(best); return; }
    options.onSpot?.({ lon: event.latlng.lng, lat: event.latlng.lat, ...event.containerPoint });
  });
  map.on("move zoom resize viewreset", redraw);
  if (options.onMove) map.on("moveend", options.onMove);
  const listen = ["scheme", "lengths"].map((name) => {
    const f = () => { readInk(); redraw(); };
    document.addEventListener(name, f);
    return [name, f];
  });
  const watch = new ResizeObserver(() => map.invalidateSize({ animate: false, pan: false }));
  watch.observe(element);

  let boxing = false, from = null, band = null;
  function dragBox(on) {
    boxing = on;
    element.classList.toggle("boxing", on);
    if (on) map.dragging.disable(); else { map.dragging.enable(); from = null; band?.remove(); band = null; }
  }
  const spot = (event) => { const r = element.getBoundingClientRect(); return [event.clientX - r.left - element.clientLeft, event.clientY - r.top - element.clientTop]; };
  element.addEventListener("pointerdown", (event) => {
    if (!boxing || event.target.closest("button")) return;
    event.preventDefault();
    from = spot(event);
    element.setPointerCapture(event.pointerId);
    band = el("div", { class: "map-box" });
    element.append(band);
  });
  element.addEventListener("pointermove", (event) => {
    if (!from) return;
    const to = spot(event);
    band.style.left = `${Math.min(from[0], to[0])}px`; band.style.top = `${Math.min(from[1], to[1])}px`;
    band.style.width = `${Math.abs(to[0] - from[0])}px`; band.style.height = `${Math.abs(to[1] - from[1])}px`;
  });
  element.addEventListener("pointerup", (event) => {
    if (!from) return;
    const to = spot(event), start = from;
    dragBox(false);
    if (Math.hypot(to[0] - start[0], to[1] - start[1]) < 6) { options.onBox?.(null); return; }
    options.onBox?.(degreesOf(Math.min(start[0], to[0]), Math.min(start[1], to[1]), Math.max(start[0], to[0]),
      Math.max(start[1], to[1]), 2 ** map.getZoom(), map.getPixelBounds().min));
  });
  element.addEventListener("pointercancel", () => { if (from) { dragBox(false); options.onBox?.(null); } });

  readInk();
  place();
  fit(options.fitTo || marks);
  redraw();
  return {
    map, redraw, fit, dragBox,
    show(list) { marks = list; place(); redraw(); },
    choose(id) { chosen = id; redraw(); },
    lines(list) { lines = list; redraw(); },
    area(box) { area = box; redraw(); },
    middle() { const p = map.getCenter(); return { lon: p.lng, lat: p.lat }; },
    box: viewBox,
    remove() {
      watch.disconnect();
      listen.forEach(([name, f]) => document.removeEventListener(name, f));
      if (waiting) cancelAnimationFrame(waiting);
      map.remove();
    },
  };
}
