/* The page of going back: what plans tell of the chosen marks, and what is written of it. */
import {
  ask, attempt, button, byId, confirmed, el, folderName, freshId, fromLength, lengthSystem, lengthUnit,
  openPage, plural, positionText, say, seaMap, seen, tell, toLength, userText, work,
} from "/static/common.js";
import { choosing, lengthFields, limitsFile, numberOf } from "/static/choosing.js";
import { planLayer } from "/static/plan-layer.js";

const KNOT = 1852 / 3600;
let marks = [], pointing = null;
const radio = (name) => document.querySelector(`input[name=${name}]:checked`).value;
const chooser = choosing({ changed: () => {}, map: { onPick: picked, onSpot: spot } });

/* ---- numbers -------------------------------------------------------------------------------- */
/** Put the metres of a field under a key, if there is something in it. */
function metres(out, key, id) { if (numberOf(id) !== null) out[key] = fromLength(numberOf(id)); }
function times(out, key, id, factor) { if (numberOf(id) !== null) out[key] = numberOf(id) * factor; }
const LENGTHS = ["level", "level-then", "zero", "weather", "draft", "margin", "transducer", "clear", "cast", "lure-depth", "over-within", "range", "seen-depth", "smallest", "lanes-depth", "turn-radius", "off", "turn", "run-clear", "near", "beam-depth", "beam-range", "thing"];
const DEFAULTS = { margin: 0.5, clear: 20, "over-within": 5, smallest: 5, "turn-radius": 15, turn: 10, "run-clear": 50 };
function units() {
  document.querySelectorAll("label[data-length]").forEach((label) => {
    label.dataset.words ??= label.textContent;
    label.textContent = `${label.dataset.words}, in ${lengthUnit()}`;
  });
}

/* ---- the water and the boat ------------------------------------------------------------------ */
function turnRow(what) {
  const id = freshId("turn"), row = el("li", { class: "row" },
    el("div", { class: "field" }, el("label", { for: `${id}-what` }, "high or low"),
      el("select", { id: `${id}-what`, "data-turn": "what" }, ["high", "low"].map((w) => el("option", { value: w, selected: w === what }, `${w} water`)))),
    el("div", { class: "field wide" }, el("label", { for: `${id}-time` }, "time"), el("input", { type: "datetime-local", id: `${id}-time`, "data-turn": "time" })),
    el("div", { class: "field" }, el("label", { for: `${id}-height`, "data-length": true }, "height"), el("input", { type: "number", id: `${id}-height`, step: "any", inputmode: "decimal", "data-turn": "height" })),
    button("leave out", () => { row.remove(); byId("turn-add").focus(); }, { "aria-label": "leave this high or low water out" }));
  byId("turns").append(row);
  units();
}
function turns() {
  return [...byId("turns").children].map((row) => {
    const of = (name) => row.querySelector(`[data-turn=${name}]`).value, height = of("height").trim();
    return { what: of("what"), time: of("time"), ...(height === "" ? {} : { height_m: fromLength(Number(height)) }) };
  });
}
function waterChanged() {
  const how = radio("water");
  for (const name of ["turns", "file", "level"]) byId(`water-${name}`).hidden = how !== name;
  byId("water-more").hidden = how === "none";
}
/** What every question tells of units, zone, boat and water. */
function rests() {
  const water = { as: radio("water") };
  if (water.as === "turns") water.turns = turns();
  if (water.as === "file") water.file = byId("tide-file").value;
  metres(water, "level_m", "level");
  metres(water, "level_then_m", "level-then");
  metres(water, "zero_m", "zero");
  metres(water, "weather_m", "weather");
  water.once_a_day = byId("once-a-day").checked;
  const out = { units: lengthSystem(), zone: byId("zone").value.trim(), water, boat: byId("boat").value, zones: byId("zones").value };
  metres(out, "draft_m", "draft");
  metres(out, "margin_m", "margin");
  metres(out, "transducer_depth_m", "transducer");
  return out;
}
const question = () => ({ ...chooser.asked(), ...rests() });

async function lookIntoFolder() {
  const found = await ask("/api/going-back/files");
  const fill = (id, names, none) => {
    const list = byId(id), was = list.value;
    list.replaceChildren(el("option", { value: "" }, none), ...names.map((n) => el("option", { value: n, selected: n === was }, seen(n))));
  };
  fill("tide-file", found.tables, found.tables.length ? "choose a table" : "there is no table in the folder");
  fill("boat", found.boats, "none");
  for (const id of ["zones", "inside", "keep-out"]) fill(id, found.areas, "none");
  const box = byId("area").value === ":box";
  fill("area", found.areas, "no area: holes that seen ground encloses");
  byId("area").firstChild.after(el("option", { value: ":box", selected: box }, "the area chosen with the marks above"));
}

/* ---- the map above --------------------------------------------------------------------------- */
function picked(mark) {
  if (pointing) { point(mark.name || positionText(mark.lon, mark.lat)); return; }
  chooser.toggle(mark);
}
function spot(place) {
  if (!pointing) return;
  const half = (value, letters) => `${Math.floor(Math.abs(value))} ${((Math.abs(value) % 1) * 60).toFixed(3)} ${letters[value < 0 ? 1 : 0]}`;
  point(`${half(place.lat, "NS")}, ${half(place.lon, "EW")}`);
}
function point(text) {
  byId(pointing).value = text;
  say(`the start is ${text}`);
  aim(null);
}
function aim(id) {
  pointing = id;
  byId("start-point").setAttribute("aria-pressed", String(id === "start"));
}

/* ---- what came of it ------------------------------------------------------------------------- */
function sentences(lines, label) {
  return el("ul", { class: "reasons", "aria-label": label }, lines.map((line) => userText(line, "li")));
}
/** Draw a plan with some marks, its legend, and words about what is pointed at. */
function planMap(place, plan, shown, label) {
  const layer = planLayer(plan), words = el("div", { role: "status", class: "pointed" }), box = el("div", {});
  const corners = [...layer.places(), ...shown];
  place.append(box, words);
  const map = seaMap(box, { marks: shown, layer, label, about: corners, fitTo: corners, names: false, onSpot: (p) => layer.point(p, words), onPick: (m) => words.replaceChildren(userText(m.name || "a mark without a name", "p")) });
  place.append(layer.legend(() => map.redraw()));
  if (plan.within_m) place.append(el("p", { class: "faint" }, `Outlines are drawn to within ${plan.within_m} m; files hold them in full.`));
  return map;
}
const FORMS = [
  ["page", ".html", "one page that prints and reads on a phone"],
  ["gpx", ".gpx", "GPX for a plotter"],
  ["plan", ".geojson", "plan (GeoJSON), for a GIS or for athwart"],
];
/** A form that writes a plan into the folder of the book, and asks before it replaces a file. */
function writing(id, stem, page, forms = FORMS) {
  const group = freshId("as"), name = freshId("name"), limits = freshId("limits"), done = el("div", { role: "status" });
  const file = el("input", { type: "text", id: name, value: stem + forms[0][1], autocomplete: "off", spellcheck: "false" });
  const text = el("textarea", { id: limits, class: "figures", rows: "4", spellcheck: "false" });
  const input = el("input", { type: "file", id: `${limits}-file`, accept: ".toml,text/plain" });
  const more = el("details", { hidden: forms[0][0] !== "gpx" }, el("summary", {}, "Limits of the plotter"),
    el("div", { class: "field" }, el("label", { for: limits }, "limits, as TOML (empty for none), such as max_name = 10"), text),
    el("div", { class: "field" }, el("label", { for: `${limits}-file` }, "or open a file with limits"), input));
  limitsFile(input, text);
  const radios = forms.map(([as, ending, words], k) => el("div", {}, el("label", { class: "tick" },
    el("input", { type: "radio", name: group, value: as, checked: k === 0, on: { change: () => {
      file.value = (file.value.replace(/\.[a-z]+$/i, "") || stem) + ending;
      more.hidden = as !== "gpx";
    } } }), el("span", {}, as === "page" ? page : words))));
  const form = el("form", { on: { submit: (event) => { event.preventDefault(); attempt(write); } } },
    el("fieldset", {}, el("legend", {}, "Write it as"), radios), more,
    el("div", { class: "field" }, el("label", { for: name }, "file name"), file),
    el("div", { class: "buttons" }, el("button", { class: "main" }, `write it into the folder ${seen(folderName())}`)), done);
  async function write() {
    const asked = { id, as: form.querySelector(`input[name=${group}]:checked`).value, name: file.value.trim(), limits: text.value };
    let made = await tell("/api/going-back/write", asked);
    if (made.exists) {
      const one = made.exists.length === 1;
      const replace = await confirmed(`${made.exists.map(seen).join(" and ")} ${one ? "is" : "are"} there already. Replace ${one ? "it" : "them"}?`, one ? "replace it" : "replace them", "keep what is there");
      if (!replace) { say("nothing was written"); return; }
      made = await tell("/api/going-back/write", { ...asked, overwrite: true });
    }
    const words = `written into the folder ${folderName()}: ${made.files.join(", ")}`;
    done.replaceChildren(userText(`${words}.`, "p"), sentences(made.notes, "what was done to it"));
    say(words);
  }
  return form;
}
/** Run a question as a job in the place of its answer; an answer that was there goes. */
async function asking(path, asked, place, title) {
  place.replaceChildren();
  return work(await tell(path, asked), place, title);
}
const byIds = (ids) => { const wanted = new Set(ids); return marks.filter((m) => wanted.has(m.id)); };

/* ---- the day --------------------------------------------------------------------------------- */
async function makeDay() {
  const asked = {
    ...question(), start: byId("start").value, ends: byId("ends").value, end: byId("end").value, leave: byId("leave").value,
    inside: byId("inside").value, keep_out: byId("keep-out").value, title: byId("title").value,
  };
  times(asked, "speed_mps", "speed", KNOT);
  times(asked, "stay_s", "stay", 60);
  metres(asked, "clear_m", "clear");
  const place = byId("day-made"), made = await asking("/api/going-back/day", asked, place, "planning the day");
  const legs = freshId("legs");
  place.append(
    el("p", {}, el("a", { href: `/going-back/sheet/${made.id}`, target: "_blank", rel: "noopener" }, "see the sheet"), " in a tab of its own, from which it prints."),
    el("h3", { id: legs }, `The way: ${plural(made.legs.length, "leg")}`),
    el("ol", { class: "legs", "aria-labelledby": legs }, made.legs.map((leg) => el("li", {}, userText(leg.line),
      leg.there.length ? el("ul", {}, leg.there.map((w) => userText(w, "li", /^(HAZARD|LITTLE WATER|TOO LITTLE)/.test(w) ? "said alarm" : "said"))) : null))),
    sentences(made.lines, "the whole day"));
  planMap(place, made.plan, byIds(made.marks), "map of the day: legs and marks");
  place.append(
    el("h3", {}, "What it rests on"), sentences(made.notes, "what the day rests on"), userText(made.caution, "p", "faint"),
    writing(made.id, "day", "the sheet, one page that prints and reads on a phone", FORMS));
  say(`the day is made: ${made.lines.find((l) => /under way/.test(l)) || plural(made.legs.length, "leg")}`);
}

/* ---- water over the marks -------------------------------------------------------------------- */
async function tellWater() {
  const place = byId("over-made"), made = await asking("/api/going-back/water", { ...question(), at: byId("at").value }, place, "working out the water");
  const little = new Set(made.little), box = el("div", {});
  place.append(sentences(made.heights, "height of the water"), sentences(made.sentences, "water over the marks"), box);
  const shown = byIds(made.marks);
  seaMap(box, { marks: shown, label: "map of the marks; those with too little water have a ring", faint: () => false, ringed: (m) => little.has(m.id) });
  if (little.size) place.append(el("p", { class: "faint" }, "Marks with too little water have a double ring on the map."));
  if (made.notes.length) place.append(sentences(made.notes, "what is to be known"));
  place.append(userText(made.caution, "p", "faint"));
  say(made.sentences.at(-1));
}

/* ---- hold and drift -------------------------------------------------------------------------- */
function countRow() {
  const id = freshId("count"), row = el("li", { class: "row" },
    el("div", { class: "field" }, el("label", { for: `${id}-s` }, "your count, in seconds"), el("input", { type: "number", id: `${id}-s`, min: "0", step: "any", inputmode: "decimal", "data-count": "s" })),
    el("div", { class: "field" }, el("label", { for: `${id}-depth`, "data-length": true }, "to the bottom at"), el("input", { type: "number", id: `${id}-depth`, min: "0", step: "any", inputmode: "decimal", "data-count": "depth" })),
    button("leave out", () => { row.remove(); byId("count-add").focus(); }, { "aria-label": "leave this count out" }));
  byId("counts").append(row);
  units();
}
function lure() {
  const out = { units: lengthSystem(), material: byId("material").value, fresh: byId("fresh").checked };
  const of = (row, name) => row.querySelector(`[data-count=${name}]`).value.trim();
  out.counts = [...byId("counts").children].filter((row) => of(row, "s") || of(row, "depth")).map((row) => ({
    ...(of(row, "s") ? { count_s: Number(of(row, "s")) } : {}), ...(of(row, "depth") ? { depth_m: fromLength(Number(of(row, "depth"))) } : {}),
  }));
  times(out, "weight_kg", "weight", 0.001);
  metres(out, "depth_m", "lure-depth");
  times(out, "current_mps", "current", KNOT);
  return out;
}
/* Sentences that stand in columns on a terminal: what is set in goes on with the line before. */
const flowing = (lines) => lines.map((line) => line.replace(/\s+/g, " ").trim());
async function countDown() {
  const made = await tell("/api/going-back/sink", lure());
  byId("hold-made").replaceChildren(sentences(made.sentences, "how long to count"), userText(made.caution, "p", "faint"));
  say(made.sentences.at(-1));
}
async function tellHold() {
  const asked = { ...lure(), with_private: byId("private").checked, zones: byId("zones").value, mark: byId("hold-mark").value };
  for (const [key, id] of [["set", "set"], ["wind_from", "wind-from"], ["adrift_to", "adrift-to"], ["cast_to", "cast-to"], ["approach", "approach"]]) asked[key] = byId(id).value;
  times(asked, "wind_mps", "wind", KNOT);
  times(asked, "adrift_mps", "adrift", KNOT);
  times(asked, "boat_speed_mps", "boat-speed", KNOT);
  times(asked, "before_s", "before", 60);
  metres(asked, "cast_m", "cast");
  metres(asked, "within_m", "over-within");
  const place = byId("hold-made"), made = await asking("/api/going-back/hold", asked, place, "working out hold and drift");
  place.append(sentences(flowing(made.sentences), "hold and drift"));
  if (made.plan.features.length) planMap(place, made.plan, byIds(made.marks), "map of hold and drift about the mark");
  if (made.notes.length) place.append(el("h3", {}, "What it rests on"), sentences(made.notes, "what it rests on"));
  place.append(userText(made.caution, "p", "faint"));
  if (made.id) place.append(writing(made.id, "hold", "a map, one page for a browser"));
  say(flowing(made.sentences)[0]);
}

/* ---- what has been seen ---------------------------------------------------------------------- */
let seenId = null;
function look() {
  const { within } = chooser.asked(), out = { ...rests(), area: byId("area").value, side: byId("side").value, inside: byId("inside").value, keep_out: byId("keep-out").value };
  if (within) out.within = within;
  metres(out, "range_m", "range");
  return out;
}
async function tellSeen() {
  const asked = look();
  metres(asked, "depth_m", "seen-depth");
  metres(asked, "smallest_m", "smallest");
  seenId = null;
  const place = byId("seen-made"), made = await asking("/api/going-back/coverage", asked, place, "laying out what was seen");
  seenId = made.id;
  place.append(sentences(flowing(made.sentences), "what has been seen"));
  if (made.plan.features.length) planMap(place, made.plan, [], "map of what the side-scan has seen");
  if (made.notes.length) place.append(el("h3", {}, "What it rests on"), sentences(made.notes, "what it rests on"));
  place.append(userText(made.caution, "p", "faint"), writing(made.id, "seen", "a map, one page for a browser", FORMS.filter(([as]) => as !== "gpx")));
  say(`${plural(made.holes, "hole")} not seen yet`);
}
async function layLanes() {
  const asked = look(), over = byId("over-what").value;
  if (over === "holes" && !seenId) throw new Error("show what has been seen first, or lay lanes over all that is to be seen");
  if (over === "holes") asked.id = seenId;
  metres(asked, "depth_m", "lanes-depth");
  metres(asked, "turn_radius_m", "turn-radius");
  times(asked, "speed_mps", "lanes-speed", KNOT);
  times(asked, "direction_deg", "direction", 1);
  const place = byId("lanes-made"), made = await asking("/api/going-back/lanes", asked, place, "laying lanes");
  place.append(sentences(flowing(made.sentences), "the lanes"));
  planMap(place, made.plan, [], "map of the lanes");
  if (made.notes.length) place.append(el("h3", {}, "What to know of them"), sentences(made.notes, "what to know of the lanes"));
  place.append(userText(made.caution, "p", "faint"), writing(made.id, "lanes", "a map, one page for a browser", [FORMS[1], FORMS[0], FORMS[2]]));
  say(flowing(made.sentences)[0]);
}

/* ---- a run along a line ---------------------------------------------------------------------- */
async function listLines() {
  const { lines } = await tell("/api/going-back/lines", { with_private: byId("private").checked });
  byId("run-line").replaceChildren(...(lines.length
    ? lines.map((name, i) => el("option", { value: String(i + 1) }, `${i + 1} ${seen(name)}`))
    : [el("option", { value: "" }, "no line is drawn in the book yet")]));
}
async function layRun() {
  const asked = { ...rests(), with_private: byId("private").checked, line: byId("run-line").value, side: byId("run-side").value, back: byId("run-back").checked };
  metres(asked, "off_m", "off");
  metres(asked, "turn_m", "turn");
  metres(asked, "clear_m", "run-clear");
  times(asked, "speed_mps", "run-speed", KNOT);
  const place = byId("run-made"), made = await asking("/api/going-back/run", asked, place, "laying the run");
  place.append(sentences(flowing(made.sentences), "the run"));
  planMap(place, made.plan, [], "map of the run");
  if (made.notes.length) place.append(el("h3", {}, "What it rests on"), sentences(made.notes, "what it rests on"));
  place.append(userText(made.caution, "p", "faint"), writing(made.id, "run", "a map, one page for a browser", [FORMS[1], FORMS[0], FORMS[2]]));
  say(flowing(made.sentences)[0]);
}

/* ---- zones against the marks, and the beam --------------------------------------------------- */
async function holdAgainst() {
  const asked = question();
  metres(asked, "near_m", "near");
  const place = byId("against-made"), made = await asking("/api/going-back/zones", asked, place, "holding marks against zones");
  place.append(sentences(made.sentences, "marks and zones"));
  planMap(place, made.plan, byIds(made.marks), "map of the zones and the marks");
  if (made.notes.length) place.append(el("h3", {}, "How the zones were understood"), sentences(made.notes, "how the zones were understood"));
  place.append(userText(made.caution, "p", "faint"), writing(made.id, "zones", "a map, one page for a browser", FORMS.filter(([as]) => as !== "gpx")));
  say(made.sentences.at(-1));
}
async function tellBeam() {
  const asked = { units: lengthSystem(), boat: byId("boat").value };
  for (const [key, id] of [["depth_m", "beam-depth"], ["range_m", "beam-range"], ["target_m", "thing"]]) metres(asked, key, id);
  times(asked, "cone_deg", "cone", 1);
  times(asked, "lines", "thing-lines", 1);
  times(asked, "speed_mps", "beam-speed", KNOT);
  const made = await tell("/api/going-back/beam", asked);
  byId("beam-made").replaceChildren(sentences(made.sentences, "what the sonar sees"), userText(made.caution, "p", "faint"));
  say(made.sentences.at(-1));
}

/* ---- listening ------------------------------------------------------------------------------- */
const submits = (id, f) => byId(id).addEventListener("submit", (event) => { event.preventDefault(); attempt(f); });
submits("day", makeDay);
submits("over", tellWater);
submits("hold", tellHold);
submits("seen", tellSeen);
submits("lanes", layLanes);
submits("run", layRun);
submits("against", holdAgainst);
submits("beam", tellBeam);
byId("private").addEventListener("change", () => attempt(listLines));
byId("count-down").addEventListener("click", () => attempt(countDown));
byId("count-add").addEventListener("click", countRow);
byId("choice").addEventListener("submit", (event) => event.preventDefault());
document.querySelectorAll("input[name=water]").forEach((r) => r.addEventListener("change", waterChanged));
byId("turn-add").addEventListener("click", () => turnRow(byId("turns").lastChild?.querySelector("select").value === "high" ? "low" : "high"));
byId("look-again").addEventListener("click", () => attempt(async () => { await lookIntoFolder(); say("the lists of files are new"); }));
byId("ends").addEventListener("change", () => { byId("end-field").hidden = byId("ends").value !== "place"; });
byId("start-point").addEventListener("click", () => {
  aim(pointing ? null : "start");
  if (pointing) { byId("map").scrollIntoView({ block: "center" }); byId("map").focus(); }
});
for (const [id, value] of Object.entries(DEFAULTS)) byId(id).value = String(+toLength(value).toPrecision(3));
for (const what of ["high", "low", "high", "low"]) turnRow(what);
countRow();
byId("zone").value = Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC";
lengthFields(LENGTHS, units);
let unitWas = fromLength(1);
document.addEventListener("lengths", () => {
  document.querySelectorAll("[data-turn=height], [data-count=depth]").forEach((i) => { if (i.value.trim() !== "") i.value = String(+toLength(Number(i.value) * unitWas).toPrecision(6)); });
  unitWas = fromLength(1);
});
units();
waterChanged();
openPage("going back", async () => {
  marks = (await ask("/api/marks")).marks;
  chooser.show(marks);
  await lookIntoFolder();
  await listLines();
});
