/* How a screen is laid out: the fields, the lines over the picture, and what a drag does to them.
   A layout is the record that /api/pictures/{id}/layout takes. */

import { el, freshId, fromLength, lengthUnit, toLength } from "/static/common.js";

const EDGES = ["top", "bottom", "left", "right"];
const LINES = [["centre_px", "centre line"], ["port_limit_px", "port range limit"], ["starboard_limit_px", "starboard range limit"]];

/** A first layout for a picture: a guess that the user drags into place. */
export function firstLayout(width, height) {
  return {
    width_px: width, height_px: height, newest: "top", panel: [0, 0, width, height],
    centre_px: width / 2, port_limit_px: 0, starboard_limit_px: width, range_m: 30, axis: "slant",
  };
}
const upright = (layout) => layout.newest === "top" || layout.newest === "bottom";
const rounded = (v) => Math.round(v * 10) / 10;

/** Draw the layout's lines. */
export function paintLayout(c, at, layout, showPhoto) {
  const line = (a, b, dash, words, along = 0) => {
    const [x0, y0] = at(a), [x1, y1] = at(b);
    for (const [colour, wide] of [["#ffffff", 3], ["#000000", 1.2]]) {
      c.strokeStyle = colour; c.lineWidth = wide; c.setLineDash(dash);
      c.beginPath(); c.moveTo(x0, y0); c.lineTo(x1, y1); c.stroke();
    }
    c.setLineDash([]);
    if (!words) return;
    c.font = '13px "DejaVu Sans Mono", Consolas, monospace'; c.textBaseline = "top";
    // Beside the line's beginning, but inside of the picture and clear of the other lines' words.
    const wide = c.measureText(words).width, most = at([layout.width_px, 0])[0] - wide - 4;
    const x = Math.max(4, Math.min(x0 + 4 + along * (x1 - x0), most)), y = y0 + 4 + along * (y1 - y0);
    c.lineWidth = 3; c.strokeStyle = "#ffffff"; c.strokeText(words, x, y);
    c.fillStyle = "#000000"; c.fillText(words, x, y);
  };
  if (showPhoto && layout.display_corners) {
    layout.display_corners.forEach((p, i) => line(p, layout.display_corners[(i + 1) % 4], [], `corner ${i + 1}`));
    return;
  }
  const [l, t, r, b] = layout.panel;
  line([l, t], [r, t], [6, 4]); line([r, t], [r, b], [6, 4]); line([r, b], [l, b], [6, 4]); line([l, b], [l, t], [6, 4]);
  for (const [key, words] of LINES) {
    if (layout[key] === null || layout[key] === undefined) continue;
    const v = layout[key];
    if (upright(layout)) line([v, t], [v, b], key === "centre_px" ? [] : [3, 3], words);
    else line([l, v], [r, v], key === "centre_px" ? [] : [3, 3], words);
  }
  const edge = { top: [[l, t], [r, t]], bottom: [[l, b], [r, b]], left: [[l, t], [l, b]], right: [[r, t], [r, b]] }[layout.newest];
  line(...edge, [], "newest", 0.3);
}

/** Return what a pointer takes hold of, or null. */
export function grabLayout(layout, [x, y], reach, showPhoto) {
  if (showPhoto && layout.display_corners) {
    const k = layout.display_corners.findIndex((p) => Math.hypot(p[0] - x, p[1] - y) < reach * 1.6);
    return k < 0 ? null : { corner: k };
  }
  const across = upright(layout) ? x : y;
  let best = null, least = reach;
  for (const [key] of LINES) {
    const v = layout[key];
    if (v !== null && v !== undefined && Math.abs(v - across) < least) { least = Math.abs(v - across); best = { key }; }
  }
  layout.panel.forEach((v, k) => {
    const d = Math.abs(v - (k % 2 ? y : x));
    if (d < least * 0.7) { least = d; best = { side: k }; }
  });
  return best;
}
/** Return the layout after a drag. */
export function draggedLayout(layout, held, [x, y]) {
  if (held.corner !== undefined) {
    return { ...layout, display_corners: layout.display_corners.map((p, i) => (i === held.corner ? [rounded(x), rounded(y)] : p)) };
  }
  if (held.key) return { ...layout, [held.key]: rounded(upright(layout) ? x : y) };
  const most = held.side % 2 ? layout.height_px : layout.width_px;
  const panel = layout.panel.map((v, k) => (k === held.side ? Math.max(0, Math.min(most, Math.round(k % 2 ? y : x))) : v));
  return { ...layout, panel };
}

/** Fields of a layout; `change(layout)` hears each edit. Returns `{ element, show(layout, faults) }`. */
export function layoutFields(change, picture) {
  let layout = null;
  const inputs = new Map();
  const set = (patch) => change({ ...layout, ...patch });
  function field(key, words, get, put, attributes = {}) {
    const id = freshId(key);
    const input = el("input", { type: "number", step: "any", id, ...attributes, on: { change: () => put(input.value === "" ? null : Number(input.value)) } });
    inputs.set(key, () => { const v = get(); input.value = v === null || v === undefined ? "" : String(Math.round(v * 1e4) / 1e4); });
    return el("div", { class: "field" }, el("label", { for: id }, words), input);
  }
  function choice(key, words, options, get, put) {
    const id = freshId(key);
    const select = el("select", { id, on: { change: () => put(select.value) } }, options.map(([v, w]) => el("option", { value: v }, w)));
    inputs.set(key, () => { select.value = get(); });
    return el("div", { class: "field" }, el("label", { for: id }, words), select);
  }
  const panel = ["left", "top", "right", "bottom"].map((word, k) =>
    field(`panel-${word}`, `panel ${word}`, () => layout.panel[k], (v) => set({ panel: layout.panel.map((p, i) => (i === k ? Math.round(v ?? 0) : p)) })));
  const lines = LINES.map(([key, words]) => field(key, `${words}, pixel`, () => layout[key], (v) => set({ [key]: v })));
  const rangeLabel = el("span", {});
  const range = field("range", "range limit stands for ", () => toLength(layout.range_m), (v) => set({ range_m: fromLength(v ?? 0) }));
  range.querySelector("label").append(rangeLabel);
  const pace = choice("pace", "a line takes", [["", "not known"], ["seconds", "seconds"], ["metres", "metres"]],
    () => (layout.seconds_per_line ? "seconds" : layout.metres_per_line ? "metres" : ""),
    (v) => set({ seconds_per_line: v === "seconds" ? layout.seconds_per_line ?? 0.1 : null, metres_per_line: v === "metres" ? layout.metres_per_line ?? 0.1 : null }));
  const paceNumber = field("pace-number", "how much", () => layout.seconds_per_line ?? layout.metres_per_line,
    (v) => set(layout.metres_per_line ? { metres_per_line: v } : { seconds_per_line: v }));
  const changesId = freshId("changes");
  const changes = el("input", { type: "text", id: changesId, placeholder: "120: 40", on: { change: () => {
    const list = changes.value.split(/[;,]/).map((p) => p.split(":").map(Number)).filter((p) => p.length === 2 && p.every(Number.isFinite));
    set({ range_changes: list.map(([line, v]) => ({ line, range_m: fromLength(v) })) });
  } } });
  inputs.set("changes", () => { changes.value = (layout.range_changes || []).map((r) => `${r.line}: ${+toLength(r.range_m).toFixed(2)}`).join("; "); });
  const photoId = freshId("photo");
  const photo = el("input", { type: "checkbox", id: photoId, on: { change: () => {
    if (!photo.checked) { set({ display_corners: null, width_px: picture.width, height_px: picture.height }); return; }
    const { width: w, height: h } = picture;
    set({ display_corners: [[w * 0.1, h * 0.1], [w * 0.9, h * 0.1], [w * 0.9, h * 0.9], [w * 0.1, h * 0.9]].map((p) => p.map(rounded)) });
  } } });
  inputs.set("photo", () => { photo.checked = Boolean(layout.display_corners); corners.hidden = !photo.checked; });
  const corners = el("div", {}, el("p", { class: "faint" }, "Drag the four corners of the display in the photo, clockwise from its top left; then look at it straightened."),
    el("div", { class: "row" }, ...[0, 1, 2, 3].flatMap((k) => ["x", "y"].map((axis, j) =>
      field(`corner-${k}${axis}`, `corner ${k + 1} ${axis}`, () => layout.display_corners?.[k][j],
        (v) => set({ display_corners: layout.display_corners.map((p, i) => (i === k ? p.map((q, m) => (m === j ? v ?? 0 : q)) : p)) })))),
      field("width", "display width, pixels", () => layout.width_px, (v) => set({ width_px: Math.round(v ?? 0) })),
      field("height", "display height, pixels", () => layout.height_px, (v) => set({ height_px: Math.round(v ?? 0) }))));
  const faults = el("ul", { class: "faults", role: "alert" });
  const element = el("div", {},
    el("div", { class: "row" },
      choice("newest", "newest line at the", EDGES.map((e) => [e, e]), () => layout.newest, (v) => set({ newest: v })),
      range, choice("axis", "range axis shows", [["slant", "slant range"], ["ground", "ground range"]], () => layout.axis, (v) => set({ axis: v })),
      pace, paceNumber),
    el("div", { class: "row" }, ...lines), el("div", { class: "row" }, ...panel),
    el("div", { class: "row" }, el("div", { class: "field" }, el("label", { for: changesId }, "range changed at line (from the newest): to range, such as 120: 40"), changes)),
    el("label", { class: "tick", for: photoId }, photo, "a photo of the screen, taken at an angle"), corners, faults);
  return {
    element,
    show(next, wrong = []) {
      layout = next;
      rangeLabel.textContent = `(${lengthUnit()})`;
      inputs.forEach((f) => f());
      faults.replaceChildren(...wrong.map((f) => el("li", {}, f.message)));
    },
  };
}
