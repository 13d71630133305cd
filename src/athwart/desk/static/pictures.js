/* The page of pictures: an entry a picture; what was set and pointed at is sent whole each time, and
   the server answers with places, sentences and the bottom line. The server also keeps each entry as it
   stands, so that a page that is closed by mistake, or loaded anew, has lost nothing. */

import {
  ask, attempt, button, byId, choice, confirmed, el, freshId, fromLength, kinds, lengthSystem, lengthUnit,
  openPage, plural, say, seaMap, seen, sendFile, tell, toLength, userText, work,
} from "/static/common.js";
import { draggedLayout, firstLayout, grabLayout, layoutFields, paintLayout } from "/static/picture-layout.js";
import { pictureView } from "/static/picture-view.js";

const TOOLS = [
  ["point", "point at a thing"], ["shadow", "drag a shadow"], ["size", "drag a size"], ["line", "draw a line"],
  ["area", "draw an area"], ["bottom", "drag the bottom line"], ["layout", "set the layout"],
];
const MOST_BYTES = 64 * 2 ** 20;
const open = [];

async function addFiles(list) {
  for (const file of list) {
    await attempt(async () => {
      if (file.size > MOST_BYTES) throw new Error(`${file.name} is larger than 64 MB; give a smaller picture`);
      const picture = await sendFile("/api/pictures", file);
      byId("pictures").prepend(await entryOf(picture));
      if (picture.words.length) say(picture.words[0], picture.words.slice(1));
    });
  }
  byId("files").value = "";
}

/* ---- one picture ----------------------------------------------------------------------------- */
async function entryOf(picture, left = null) {
  const path = `/api/pictures/${encodeURIComponent(picture.id)}`;
  const empty = { layout: firstLayout(picture.width, picture.height), drags: [], picks: [], shapes: [], stepPart: 0 };
  let state = structuredClone(left?.state || empty), past = [], future = [], tool = "layout", chosen = -1, drawing = null;
  let told = { picks: [], shapes: [], words: [], boat: null }, line = null, showPhoto = true, shownKey = "", overlay = null, timer = 0, asked = 0;
  let track = null, boat = null, map = null, onMap = 0, taken = true;

  // What was saved, by the key of a thing: outside of `state`, because undo takes nothing out of the book.
  const inBook = new Map(left?.inBook || []);
  const withSaved = (items) => items.map(({ key, ...item }) => (inBook.has(key) ? { ...item, saved: inBook.get(key) } : item));

  const id = freshId("picture");
  const canvasPlace = el("div", {}), status = el("p", { role: "status", class: "faint" }), bottomWords = el("p", { class: "faint", role: "status" });
  const picksList = el("ol", { class: "log", "aria-label": "what was pointed at" }), jobPlace = el("div", {}), mapPlace = el("div", {});
  const toolBox = el("div", { class: "tools-row", role: "group", "aria-label": "what a click or a drag does" },
    ...TOOLS.map(([key, words]) => button(words, () => setTool(key), { "data-tool": key, "aria-pressed": "false" })));
  const finish = button("finish", () => finishShape(), { hidden: true });
  const undo = button("undo", () => step(past, future), { disabled: true }), redo = button("redo", () => step(future, past), { disabled: true });
  const photoSwitch = button("look at it straightened", () => { showPhoto = !showPhoto; refresh(); }, { hidden: true });
  const fields = layoutFields((layout) => { keep(); state.layout = layout; changed(); }, picture);

  const view = pictureView(canvasPlace, { label: `picture ${seen(picture.name)}`, paint, onPoint, grab, onDrag, onEscape: () => { drawing = null; chosen = -1; show(); } });

  /* -- time, place, depth -- */
  const select = (words, options, f) => {
    const key = freshId("choice"), s = el("select", { id: key, on: { change: f } }, options.map(([v, w]) => el("option", { value: v }, w)));
    return [el("div", { class: "field" }, el("label", { for: key }, words), s), s];
  };
  const input = (words, attributes = {}) => {
    const key = freshId("field"), i = el("input", { type: "text", id: key, autocomplete: "off", ...attributes, on: { change: () => changed() } });
    return [el("div", { class: "field" }, el("label", { for: key }, words), i), i];
  };
  const [howBox, how] = select("the newest line's moment is", [["typed", "typed"], ["screen", "read off the screen"], ["picture", "the picture's own time"]], () => changed());
  const [whenBox, when] = input("moment, such as 2031-05-11 06:12:30", { value: picture.taken ? picture.taken.replace("T", " ") : "" });
  const [zoneBox, zone] = input("zone: Z for UTC, or Pacific/Auckland", { value: "Z" });
  const [kindBox, pictureKind] = select("the picture is a", [["screenshot", "screenshot"], ["photo", "photo"]], () => changed());
  const [pauseBox, pause] = input("taken so many seconds after the pause", { type: "number", step: "any", value: "0" });
  const [sigmaBox, sigma] = input("its error, seconds (empty: the usual)", { type: "number", step: "any", min: "0" });
  const [placeBox, place] = select("the boat's place comes from", [["track", "a track file"], ["book", "the tracks of the book"], ["typed", "numbers typed here"]], () => changed());
  const [latBox, lat] = input("latitude"), [lonBox, lon] = input("longitude"), [headingBox, heading] = input("heading, 215 or 215M"), [speedBox, speed] = input("speed, m/s", { type: "number", step: "any" });
  const fileField = (words, f) => {
    const key = freshId("file"), i = el("input", { type: "file", id: key, on: { change: () => attempt(async () => { if (i.files[0]) await f(i.files[0]); changed(); }) } });
    return el("div", { class: "field" }, el("label", { for: key }, words), i);
  };
  const trackWords = el("p", { class: "faint", role: "status" });
  const trackBox = fileField("track file (GPX or NMEA)", async (file) => { const t = await sendFile("/api/tracks", file); track = t.id; trackWords.textContent = seen(t.sentence); });
  const boatBox = fileField("boat file (TOML), if there is one", async (file) => { const b = await sendFile("/api/boats", file); boat = b.id; say(`boat ${b.boat || b.name} taken`); });
  const [byBox, by] = select("the depth comes from", [["bottom", "the bottom line in the picture"], ["typed", "a number typed here"], ["track", "the track"]], () => changed());
  const [depthBox, depth] = input("depth", { type: "number", step: "any", min: "0" });
  const [belowBox, below] = select("below the", [["transducer", "transducer"], ["surface", "surface"]], () => changed());
  const boatWords = el("p", { role: "status" });

  /* -- layouts kept in the folder, pace from a second picture -- */
  const [savedBox, saved] = select("a saved layout", [["", "none"]], () => attempt(async () => {
    if (!saved.value) return;
    const { layout } = await tell(`${path}/layout/take`, { name: saved.value });
    keep(); state.layout = { ...empty.layout, port_limit_px: null, starboard_limit_px: null, ...layout }; changed();
  }));
  const [nameBox, layoutName] = input("keep this layout as", { value: "boat.layout.toml" });
  const saveLayout = button("save the layout", () => attempt(async () => {
    let done = await tell(`${path}/layout/save`, { ...question(), name: layoutName.value.trim() });
    if (done.exists && await confirmed(`${seen(done.exists)} exists. Replace it?`, "replace it", "keep it")) done = await tell(`${path}/layout/save`, { ...question(), name: layoutName.value.trim(), overwrite: true });
    if (done.file) { say(`saved as ${done.file}`); await listLayouts(); }
  }));
  async function listLayouts() {
    const { layouts } = await ask("/api/layouts");
    saved.replaceChildren(el("option", { value: "" }, "none"), ...layouts.map((n) => el("option", { value: n }, seen(n))));
  }
  const [otherBox, other] = select("another picture of the same screen", [["", "none"]], () => {});
  const [apartBox, apart] = input("seconds between them (empty: by their own times)", { type: "number", step: "any" });
  const measure = button("measure how long a line takes", () => attempt(async () => {
    if (!other.value) throw new Error("open the other picture first, then choose it here");
    const found = await tell(`${path}/step`, { ...question(), other: other.value, seconds_apart: apart.value === "" ? null : Number(apart.value) });
    keep(); state.layout = { ...state.layout, seconds_per_line: found.seconds_per_line, metres_per_line: null }; state.stepPart = found.step_part;
    say(found.sentence); changed();
  }));

  const [seenBox, seenFirst] = select("one thing drawn twice: here", [["", "none"]], () => {});
  const [againBox, seenAgain] = select("and again here", [["", "none"]], () => {});
  const measureTwice = button("measure it on a thing drawn twice", () => attempt(async () => {
    const both = [seenFirst, seenAgain].map((s) => state.picks.find((p) => p.key === s.value));
    if (!both[0] || !both[1]) throw new Error("point at one thing where the turn shows it twice, then choose both points here");
    const found = await tell(`${path}/step-on-track`, { ...question(), twice: [both.map((p) => [p.x, p.y])] });
    const { seconds_per_line = null, metres_per_line = null } = found;
    keep(); state.layout = { ...state.layout, seconds_per_line, metres_per_line }; state.stepPart = found.step_part;
    say(found.sentence); changed();
  }));
  function listThings(list) {
    const was = list.value, things = state.picks.map((p, k) => [p.key, `${k + 1}${p.name ? `. ${seen(p.name)}` : ""}`]);
    const now = JSON.stringify(things);
    if (list.dataset.shown === now) return;
    list.dataset.shown = now;
    list.replaceChildren(el("option", { value: "" }, "none"), ...things.map(([key, words]) => el("option", { value: key }, words)));
    list.value = things.some(([key]) => key === was) ? was : "";
  }

  /* -- the entry as it stands, for a page that begins anew -- */
  const controls = { how, when, zone, pictureKind, pause, sigma, place, lat, lon, heading, speed, by, below, layoutName };
  let unkept = false;
  const remember = (how = {}) => { unkept = false; return tell(`${path}/entry`, { entry: {
    state, inBook: [...inBook], tool, taken, track, boat, trackWords: trackWords.textContent, strip: stripName.value,
    depth_m: depth.value === "" ? null : fromLength(Number(depth.value)), typed: Object.fromEntries(Object.entries(controls).map(([k, c]) => [k, c.value])),
  } }, how); };
  window.addEventListener("pagehide", () => { if (unkept && element.isConnected) remember({ keepalive: true }).catch(() => {}); });
  function setAsLeft() {
    for (const [key, control] of Object.entries(controls)) control.value = left.typed[key] ?? control.value;
    if (left.depth_m !== null) depth.value = String(Number(toLength(left.depth_m).toPrecision(12)));
    ({ tool, taken, track, boat } = left);
    trackWords.textContent = left.trackWords; stripName.value = left.strip;
  }

  /* -- what is asked of the server -- */
  function question() {
    const typed = { how: how.value, text: when.value.trim(), zone: zone.value.trim() === "Z" ? "UTC" : zone.value.trim(), kind: pictureKind.value, pause_s: Number(pause.value || 0), sigma_s: sigma.value === "" ? null : Number(sigma.value) };
    const where = place.value === "track" ? { how: "track", track } : place.value === "book" ? { how: "book" }
      : { how: "typed", lat: lat.value, lon: lon.value, heading: heading.value, speed_mps: speed.value === "" ? null : Number(speed.value) };
    const layout = Object.fromEntries(Object.entries(state.layout).filter(([, v]) => v !== null && v !== undefined && !(Array.isArray(v) && !v.length)));
    return {
      layout, moment: typed, place: where, boat, units: lengthSystem(), step_part: state.stepPart,
      bottom: { by: by.value, drags: state.drags, depth_m: depth.value === "" ? null : fromLength(Number(depth.value)), depth_below: below.value },
      picks: withSaved(state.picks), shapes: withSaved(state.shapes),
    };
  }
  const placeKnown = () => (place.value === "track" ? Boolean(track) : place.value === "book" || Boolean(lat.value && lon.value && heading.value)) && (how.value === "picture" || when.value.trim());

  function changed() { unkept = true; fields.show(state.layout); clearTimeout(timer); timer = setTimeout(() => attempt(refresh), 200); show(); }
  async function refresh() {
    const mine = ++asked;
    if (unkept) await remember();
    const checked = await tell(`${path}/layout`, question());
    if (mine !== asked) return;
    fields.show(state.layout, checked.faults);
    photoSwitch.hidden = !state.layout.display_corners;
    photoSwitch.textContent = showPhoto ? "look at it straightened" : "look at the photo";
    const straight = state.layout.display_corners && !showPhoto && !checked.faults.length;
    const key = straight ? JSON.stringify([state.layout.display_corners, state.layout.width_px, state.layout.height_px]) : "";
    if (key !== shownKey) {
      shownKey = key;
      const layout = straight ? `?layout=${encodeURIComponent(JSON.stringify(question().layout))}` : "";
      await view.show(`${path}/image${layout}`, straight ? state.layout.width_px : picture.width, straight ? state.layout.height_px : picture.height);
    }
    if (checked.faults.length) { line = null; show(); return; }
    line = by.value === "bottom" ? await tell(`${path}/bottom`, question()) : null;
    if (mine !== asked) return;
    bottomWords.textContent = line ? line.sentence : "";
    if (placeKnown()) {
      try {
        told = await tell(`${path}/place`, question());
        if (mine !== asked) return;
        boatWords.textContent = told.boat.sentence;
        boatWords.classList.remove("faults");
      } catch (error) {
        told = { picks: [], shapes: [], words: [], boat: null };
        boatWords.textContent = error.message; boatWords.classList.add("faults");
      }
    }
    show();
  }

  /* -- undo -- */
  function keep() { past.push(JSON.stringify(state)); if (past.length > 200) past.shift(); future = []; taken = false; }
  function step(from, to) {
    if (!from.length) return;
    to.push(JSON.stringify(state)); state = JSON.parse(from.pop()); chosen = -1; drawing = null; changed();
  }

  /* -- on the picture -- */
  function setTool(next) { tool = next; drawing = null; show(); }
  const photoShown = () => Boolean(state.layout.display_corners) && showPhoto;
  function onPoint(xy) {
    if (photoShown() && tool !== "layout") { say("look at it straightened before you point at things"); return; }
    if (tool === "point") { keep(); state.picks.push({ key: freshId("thing"), x: xy[0], y: xy[1], name: "", kind: "", note: "", hazard: false, private: false }); chosen = state.picks.length - 1; changed(); }
    else if (tool === "line" || tool === "area") { drawing = drawing || { area: tool === "area", points: [] }; drawing.points.push(xy); show(); }
    else if (tool === "bottom") attempt(() => dragBottom(xy));
    else if (tool === "shadow" || tool === "size") {
      if (!drawing) { drawing = { from: xy }; say(`now point at the other end of the ${tool}`); show(); } else { const from = drawing.from; drawing = null; measured(from, xy); }
    }
  }
  async function dragBottom(xy) {
    const { drag } = await tell(`${path}/drag`, { ...question(), x: xy[0], y: xy[1] });
    keep(); state.drags.push(drag); changed();
  }
  function measured(from, to) {
    if (!state.picks.length) { say("point at the thing first, then drag its shadow or size"); return; }
    let k = chosen;
    if (k < 0) {
      const far = state.picks.map((p) => Math.hypot(p.x - from[0], p.y - from[1]));
      k = far.indexOf(Math.min(...far));
    }
    keep(); state.picks[k][tool] = [from, to]; chosen = k;
    if (tool === "shadow") { state.picks[k].own_ends = false; if (told.picks[k]) told.picks[k].shadow = null; }
    changed();
  }
  function grab(xy, reach) {
    if (tool === "layout") return grabLayout(state.layout, xy, reach, photoShown());
    if (tool === "shadow" || tool === "size") return { measure: true };
    if (tool === "bottom") return { bottom: true };
    const k = state.picks.findIndex((p) => Math.hypot(p.x - xy[0], p.y - xy[1]) < reach);
    return tool === "point" && k >= 0 ? { pick: k } : null;
  }
  let before = null;
  function onDrag(held, from, to, end) {
    if (held.measure) { drawing = end ? null : { from, to }; if (end) measured(from, to); else view.draw(); return; }
    if (held.bottom) { if (end) attempt(() => dragBottom(to)); return; }
    before = before || JSON.stringify(state);
    if (held.pick !== undefined) Object.assign(state.picks[held.pick], { x: to[0], y: to[1] });
    else state.layout = draggedLayout(state.layout, held, to);
    if (end) { past.push(before); future = []; before = null; taken = false; changed(); } else { fields.show(state.layout); view.draw(); }
  }
  function finishShape() {
    const least = drawing?.area ? 3 : 2;
    if (!drawing || drawing.points.length < least) { say(`${drawing?.area ? "an area" : "a line"} needs ${least} corners or more`); return; }
    keep(); state.shapes.push({ ...drawing, key: freshId("shape"), name: "", kind: "", note: "", private: false }); drawing = null; changed();
  }
  function paint(c, at, scale) {
    const stroke = (points, wide, colour, close = false) => {
      c.beginPath(); points.map(at).forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
      if (close) c.closePath();
      c.strokeStyle = colour; c.lineWidth = wide; c.stroke();
    };
    const twice = (points, wide, close) => { stroke(points, wide + 2, "#ffffff", close); stroke(points, wide, "#000000", close); };
    /* As it was drawn with dashes, and the ends that count as bars across. */
    const paintShadow = (drawn, ends) => {
      c.setLineDash([3, 5]); twice(drawn, 1); c.setLineDash([]);
      if (!ends) return;
      twice(ends, 1.2);
      const [[x0, y0], [x1, y1]] = ends, far = Math.hypot(x1 - x0, y1 - y0) || 1;
      const [u, v] = [-(y1 - y0) / far * 7 / scale, (x1 - x0) / far * 7 / scale];
      for (const [x, y] of ends) twice([[x - u, y - v], [x + u, y + v]], 1.6);
    };
    if (tool === "layout") paintLayout(c, at, state.layout, photoShown());
    if (photoShown()) return;
    for (const side of Object.values(line?.sides || {})) {
      for (let k = 1; k < side.xy.length; k++) {
        c.globalAlpha = 0.15 + 0.85 * side.confidence[k];
        stroke([side.xy[k - 1], side.xy[k]], 2, "#ffffff");
      }
      c.globalAlpha = 1;
    }
    state.shapes.forEach((s) => twice(s.points, 1.6, s.area));
    if (drawing?.points) twice(drawing.points, 1.6, false);
    if (drawing?.from && drawing.to) twice([drawing.from, drawing.to], 1.6);
    state.picks.forEach((p, k) => {
      if (p.shadow) paintShadow(p.shadow, told.picks[k]?.shadow);
      if (p.size) twice(p.size, 1.2);
      const [x, y] = at([p.x, p.y]);
      for (const [colour, wide] of [["#ffffff", 4], ["#000000", 1.8]]) { c.strokeStyle = colour; c.lineWidth = wide; c.beginPath(); c.arc(x, y, k === chosen ? 11 : 8, 0, 7); c.stroke(); }
      c.font = '700 13px "Liberation Sans", Arial, sans-serif'; c.textBaseline = "middle";
      c.lineWidth = 3; c.strokeStyle = "#ffffff"; c.strokeText(String(k + 1), x + 13, y); c.fillStyle = "#000000"; c.fillText(String(k + 1), x + 13, y);
    });
  }

  /* -- below the picture -- */
  function show() {
    for (const b of toolBox.querySelectorAll("[data-tool]")) b.setAttribute("aria-pressed", String(b.dataset.tool === tool));
    finish.hidden = !drawing?.points;
    finish.textContent = drawing?.area ? "close the area" : "end the line";
    undo.disabled = !past.length; redo.disabled = !future.length;
    view.draw();
    const words = [plural(state.picks.length, "thing pointed at", "things pointed at")];
    if (state.shapes.length) words.push(plural(state.shapes.length, "line or area", "lines and areas"));
    status.textContent = words.join(", ") + ".";
    listPicks();
    drawMap();
    depthBox.hidden = belowBox.hidden = by.value !== "typed";
    depthBox.querySelector("label").textContent = `depth (${lengthUnit()})`;
    trackBox.hidden = place.value !== "track";
    for (const box of [latBox, lonBox, headingBox, speedBox]) box.hidden = place.value !== "typed";
    kindBox.hidden = pauseBox.hidden = how.value !== "picture"; whenBox.hidden = how.value === "picture";
    listThings(seenFirst); listThings(seenAgain);
    const others = open.filter((o) => o.id !== picture.id);
    if (other.children.length !== others.length + 1) other.replaceChildren(el("option", { value: "" }, "none"), ...others.map((o) => el("option", { value: o.id }, seen(o.name))));
  }
  let listed = "";
  function listPicks() {
    const now = JSON.stringify([state.picks, state.shapes, told.picks, told.shapes, chosen]);
    if (now === listed || picksList.contains(document.activeElement) && document.activeElement.matches("input")) {
      if (now !== listed) sentences();
      return;
    }
    listed = now;
    picksList.replaceChildren(...state.picks.map((p, k) => record(p, k, told.picks[k], true)), ...state.shapes.map((s, k) => record(s, k, told.shapes[k], false)));
  }
  const sentenceOf = (one, k, pick) => (one?.fault ? one.fault : one?.sentence || (pick ? "not placed yet: set the layout, the moment and where the boat was" : "not placed yet"));
  function sentences() {
    [...picksList.children].forEach((li) => {
      const k = Number(li.dataset.k), pick = li.dataset.pick === "1", p = li.querySelector("p");
      p.textContent = `${pick ? `${k + 1}. ` : ""}${seen(sentenceOf((pick ? told.picks : told.shapes)[k], k, pick))}`;
      if (pick) li.querySelector("p.ends").textContent = told.picks[k]?.shadow_words || "";
    });
  }
  function record(item, k, one, pick) {
    const text = (words, key, list) => {
      const key2 = freshId("pick"), i = el("input", { type: "text", id: key2, value: item[key], list: list || null, autocomplete: "off", on: { change: () => { keep(); item[key] = i.value; changed(); } } });
      return el("div", { class: "field" }, el("label", { for: key2 }, words), i);
    };
    const tick = (words, key) => { const i = el("input", { type: "checkbox", checked: item[key], on: { change: () => { keep(); item[key] = i.checked; changed(); } } }); return el("label", { class: "tick" }, i, words); };
    const label = pick ? `thing ${k + 1}` : `${item.area ? "area" : "line"} ${k + 1}`;
    return el("li", { class: pick && k === chosen ? "entry chosen" : "entry", "data-k": String(k), "data-pick": pick ? "1" : "0" },
      el("p", { class: one?.fault ? "faults said" : "said", dir: "auto" }, `${pick ? `${k + 1}. ` : ""}${seen(sentenceOf(one, k, pick))}`),
      one?.position && el("p", { class: "figures faint" }, one.position),
      pick && el("p", { class: "faint ends" }, one?.shadow_words || ""),
      el("div", { class: "row" }, text("name", "name"), text("kind", "kind", "kind-words"), text("note", "note")),
      el("div", { class: "buttons" }, pick && tick("hazard", "hazard"), tick("private", "private"),
        pick && item.shadow && tick("keep the ends of the shadow as I drew them", "own_ends"),
        pick && button("choose", () => { chosen = k; show(); }, { "aria-label": `choose ${label}: shadows and sizes belong to it` }),
        button("remove", () => { if (inBook.has(item.key)) say("It stays in the book, where it was saved; the page of marks can take that saving back."); keep(); (pick ? state.picks : state.shapes).splice(k, 1); (pick ? told.picks : told.shapes).splice(k, 1); chosen = -1; changed(); }, { "aria-label": `remove ${label}` })));
  }
  function drawMap() {
    if (!told.boat) { mapPlace.hidden = true; return; }
    mapPlace.hidden = false;
    const places = told.picks.map((p, k) => p.fault ? null : { ...p, id: `p${k}`, kind: state.picks[k]?.kind, name: state.picks[k]?.name || `${k + 1}`, hazard: state.picks[k]?.hazard }).filter(Boolean);
    const shown = [...places, { lon: told.boat.lon, lat: told.boat.lat, id: "boat", kind: "", name: "the boat" }];
    const rays = told.picks.filter((p) => !p.fault).map((p) => [p.antenna, [p.lon, p.lat]]);
    const drawn = told.shapes.filter((s) => s.corners).map((s, k) => (state.shapes[k]?.area ? [...s.corners, s.corners[0]] : s.corners));
    const lines = [told.boat.track, ...rays, ...drawn].filter((l) => l.length > 1);
    if (!map) {
      const sheet = el("div", {});
      mapPlace.append(el("h3", {}, "Where that is"), sheet);
      map = seaMap(sheet, { marks: shown, about: shown, label: "map of what was pointed at", lines });
      return;
    }
    map.show(shown); map.lines(lines); map.choose(chosen >= 0 ? `p${chosen}` : null);
    if (shown.length !== onMap) map.fit(shown);
    onMap = shown.length;
  }

  /* -- saving -- */
  const save = button("save into the book", () => attempt(async () => {
    const moved = state.picks.filter(({ key, x, y }) => inBook.has(key) && (inBook.get(key).x !== x || inBook.get(key).y !== y));
    if (moved.length) {
      const what = moved.length === 1 ? "One thing was" : `${moved.length} things were`;
      const answer = await choice(`${what} moved since the last saving. Was the first place a slip?`,
        [["slip", "yes, put it right"], ["both", "no, keep both places"], ["", "do not save yet"]]);
      if (!answer) return;
      if (answer === "both") moved.forEach(({ key }) => inBook.delete(key));
    }
    const { picks, shapes } = structuredClone(state);
    const done = await tell(`${path}/save`, question());
    picks.forEach(({ key, ...pick }, k) => inBook.set(key, { ...pick, id: done.sighting_ids[k] }));
    shapes.forEach(({ key }, k) => inBook.set(key, done.shape_ids[k]));
    taken = true;
    await remember();
    say(done.sentence, done.words);
  }), { class: "main" });
  const [stripBox, stripName] = input("name of the strip", { value: `${picture.name.replace(/\.[^.]*$/, "").replace(/[^\w-]+/g, "-").replace(/^(con|prn|aux|nul|com\d|lpt\d)?$/i, "strip")}.tif` });
  const strip = button("make a strip (GeoTIFF)", () => attempt(async () => {
    let job = await tell(`${path}/strip`, { ...question(), name: stripName.value.trim() });
    if (job.exists) {
      if (!await confirmed(`${seen(job.exists)} exists. Replace it?`, "replace it", "keep it")) return;
      job = await tell(`${path}/strip`, { ...question(), name: stripName.value.trim(), overwrite: true });
    }
    const done = await work(job, jobPlace, "making the strip");
    say(`written: ${done.file}`, done.words);
    if (done.bounds && map) {
      const [west, south, east, north] = done.bounds;
      overlay?.remove();
      overlay = L.imageOverlay(`${path}/overlay?${Date.now()}`, [[south, west], [north, east]], { opacity: 0.9 }).addTo(map.map);
    }
  }));

  const element = el("li", { class: "entry", id },
    el("h2", {}, userText(picture.name), " "),
    el("p", { class: "faint" }, `${picture.width} × ${picture.height} pixels${picture.taken ? `, taken ${picture.taken.replace("T", " ")}${picture.taken_zone_known ? " UTC" : ""}` : ""}`),
    toolBox, el("div", { class: "buttons" }, finish, undo, redo, photoSwitch), canvasPlace, bottomWords,
    el("details", { open: true }, el("summary", {}, "How the screen is laid out"), el("div", { class: "row" }, savedBox), fields.element,
      el("div", { class: "row" }, nameBox), el("div", { class: "buttons" }, saveLayout),
      el("p", { class: "faint" }, "How long a line takes can be measured: on two pictures of one screen, or, where the boat turned, on one thing that is drawn twice, once before and once after the turn. For the latter give the moment and the track below, and point at the thing in both places."),
      el("div", { class: "row" }, otherBox, apartBox), el("div", { class: "buttons" }, measure),
      el("div", { class: "row" }, seenBox, againBox), el("div", { class: "buttons" }, measureTwice)),
    el("details", { open: true }, el("summary", {}, "When, and where the boat was"), el("div", { class: "row" }, howBox, whenBox, zoneBox, kindBox, pauseBox, sigmaBox),
      el("div", { class: "row" }, placeBox, trackBox, latBox, lonBox, headingBox, speedBox, boatBox), trackWords, boatWords),
    el("details", {}, el("summary", {}, "How deep it was"), el("div", { class: "row" }, byBox, depthBox, belowBox),
      el("div", { class: "buttons" }, button("forget my corrections of the bottom line", () => { keep(); state.drags = []; changed(); }))),
    el("h3", {}, "What was pointed at"), status, picksList, mapPlace,
    el("div", { class: "buttons" }, save), el("div", { class: "row" }, stripBox), el("div", { class: "buttons" }, strip,
      button("put the picture away", () => attempt(async () => {
        if (!taken && (state.picks.length || state.shapes.length) && !await confirmed("Not all of it is saved. Put the picture away?", "put it away", "keep it here")) return;
        clearTimeout(timer);
        await tell(`${path}/away`);
        open.splice(open.findIndex((o) => o.id === picture.id), 1); map?.remove(); element.remove();
      }))), jobPlace);
  element.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.target.matches("input[type=text], textarea")) return;
    if (event.key === "z" && !event.shiftKey) step(past, future); else if (event.key === "y" || (event.key === "z" && event.shiftKey)) step(future, past); else return;
    event.preventDefault();
  });
  document.addEventListener("lengths", () => changed());
  open.push({ id: picture.id, name: picture.name });
  await view.show(`${path}/image`, picture.width, picture.height);
  await listLayouts();
  if (left) setAsLeft();
  fields.show(state.layout);
  changed();
  return element;
}

/* ---- the page -------------------------------------------------------------------------------- */
function makePage() {
  const input = el("input", { type: "file", id: "files", multiple: true, accept: "image/*,.heic", on: { change: () => addFiles([...input.files]) } });
  const drop = el("div", { class: "drop" }, el("label", { for: "files" }, "Open pictures of a paused screen, or drop them here: screenshots or photos (PNG, JPEG and their like). They stay on this machine."), input);
  for (const event of ["dragover", "dragenter"]) drop.addEventListener(event, (e) => { e.preventDefault(); drop.classList.add("over"); });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (e) => { e.preventDefault(); drop.classList.remove("over"); addFiles([...e.dataTransfer.files]); });
  byId("main").append(drop, el("ol", { class: "log", id: "pictures", "aria-label": "pictures in hand" }), el("datalist", { id: "kind-words" }));
}

/** Show again what is in hand; an entry's keys are given anew, so that they are no one else's. */
async function showAgain() {
  const { pictures } = await ask("/api/pictures");
  const again = pictures.filter((p) => !open.some((o) => o.id === p.id));
  for (const { entry, ...picture } of again) {
    await attempt(async () => byId("pictures").prepend(await entryOf(picture, entry.state ? keyedAnew(entry) : null)));
  }
  if (again.length) say(`${plural(again.length, "picture is", "pictures are")} here as you left ${again.length === 1 ? "it" : "them"}.`);
}
function keyedAnew(entry) {
  const known = new Map(entry.inBook), inBook = [];
  const anew = (items, word) => items.map((item) => {
    const key = freshId(word);
    if (known.has(item.key)) inBook.push([key, known.get(item.key)]);
    return { ...item, key };
  });
  const state = { ...entry.state, picks: anew(entry.state.picks, "thing"), shapes: anew(entry.state.shapes, "shape") };
  return { ...entry, state, inBook };
}

makePage();
let first = true;
openPage("pictures", async () => {
  byId("kind-words").replaceChildren(...kinds().filter((k) => k.word).map((k) => el("option", { value: k.word })));
  if (first) await showAgain();
  first = false;
});
