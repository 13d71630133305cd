/* A plan on a map of the desk, drawn as on the review map (/static/plan.js, which must be loaded).

     const layer = planLayer(plan);                  // as the server gives it
     const map = seaMap(box, { marks, layer, onSpot: (p) => layer.point(p, words) });
     layer.legend(() => map.redraw())                // an element: every role in words, to show or hide
     layer.places()                                  // corners, for fit() and about */
import { el, freshId, seen, userText } from "/static/common.js";

const RAD = Math.PI / 180;

export function planLayer(plan) {
  let drawing = null, last = null, ink = {}, plane = null;
  const hidden = new Set();

  /* Corners of a shape in metres on the map's plane, x to the east and y downwards, with their box. */
  function unrolled(corners) {
    const u = [], v = [], box = [Infinity, Infinity, -Infinity, -Infinity];
    for (const [lon, lat] of corners) {
      const [x, y] = plane.xy(lon, lat);
      u.push(x); v.push(-y);
      box[0] = Math.min(box[0], x); box[1] = Math.min(box[1], -y);
      box[2] = Math.max(box[2], x); box[3] = Math.max(box[3], -y);
    }
    return { u, v, box };
  }
  function made(view) {
    if (drawing && plane === view.plane) return;
    plane = view.plane;
    ink = view.ink;
    const features = plan.features.map((f) => ({
      ...f, name: seen(f.name), heading: f.heading === null ? undefined : f.heading + (f.points.length ? northOf(f.points[0][0]) : 0),
    }));
    drawing = athwartPlan({ ...plan, features }, {
      ink, unrolled, perMetre: () => ({ east: [1], north: [1] }), night: () => document.documentElement.dataset.scheme === "night",
    });
    hidden.forEach((r) => drawing.hide(r, false));
  }
  /* Where north lies on the sheet there: a heading is counted from it. */
  function northOf([lon, lat]) {
    const step = lat > 89.999 ? -1e-4 : 1e-4, [x0, y0] = plane.xy(lon, lat), [x, y] = plane.xy(lon, lat + step);
    return Math.atan2((x - x0) * Math.sign(step), (y - y0) * Math.sign(step)) / RAD;
  }
  function full(view) {
    const { c, k, min, W, H } = view, X = (u) => u * k - min.x, Y = (v) => v * k - min.y;
    const font = () => { c.font = `italic 13px ${getComputedStyle(document.documentElement).getPropertyValue("--text") || "serif"}`; };
    return {
      ...view, X, Y,
      inView: (b, pad) => X(b[2]) > -pad && X(b[0]) < W + pad && Y(b[3]) > -pad && Y(b[1]) < H + pad,
      trace(line) {
        let px = NaN, py = NaN;
        line.u.forEach((u, i) => {
          const x = X(u), y = Y(line.v[i]);
          if (i && i < line.u.length - 1 && Math.abs(x - px) < 0.7 && Math.abs(y - py) < 0.7) return;
          if (i) c.lineTo(x, y); else c.moveTo(x, y);
          px = x; py = y;
        });
      },
      width(text) { font(); return c.measureText(text.slice(0, 40)).width; },
      name(text, x, y, middle, colour) {
        font();
        c.textAlign = middle ? "center" : "left"; c.textBaseline = "middle"; c.lineJoin = "round";
        c.lineWidth = 3.5; c.strokeStyle = ink.sheet; c.strokeText(text.slice(0, 40), x, y);
        c.fillStyle = colour; c.fillText(text.slice(0, 40), x, y);
      },
    };
  }

  return {
    draw(view) { made(view); last = full(view); drawing.draw(view.c, last); },
    /* Names keep clear of each other and of the marks, which are drawn already. */
    names(view, drawn) {
      const taken = drawn.map(([, x, y]) => [x - 14, y - 12, x + 14, y + 12]);
      drawing.names({
        ...last,
        free: (x, y, w) => !taken.some((t) => t[0] < x + w && t[2] > x && t[1] < y + 14 && t[3] > y),
        occupy: (x, y, w) => taken.push([x, y, x + w, y + 14]),
      });
    },
    places() {
      const own = plan.features.filter((f) => plan.roles[f.role].role !== "zone");
      return (own.length ? own : plan.features).flatMap((f) => [...f.fills.flat(), ...f.lines, ...f.points].flat()).map(([lon, lat]) => ({ lon, lat }));
    },
    /** Say in an element what lies where was pointed at. */
    point({ x, y }, words) {
      const found = drawing && last ? drawing.under(last, x, y, matchMedia("(pointer: coarse)").matches ? 24 : 13) : [];
      words.replaceChildren(...found.slice(0, 3).map((j) => {
        const f = plan.features[j], role = plan.roles[f.role].words;
        return el("p", {}, userText(f.name ? `${f.name} (${role})` : role, "strong"), userText([
          f.at, ...f.rows.map(([term, value]) => `${term.toLowerCase() === "r95" ? "R95" : term.toLowerCase()} ${value}`)].filter(Boolean).map((t) => ` · ${t}`).join("")),
        f.note ? userText(f.note, "p", "said lines") : null);
      }));
    },
    /** Return the legend: each role as it is drawn, in words, with a box to show or hide it. */
    legend(redraw) {
      const id = freshId("legend"), signs = [];
      const list = el("ul", { class: "legend", "aria-labelledby": id }, plan.roles.map((role, r) => {
        const count = plan.features.filter((f) => f.role === r).length;
        const sign = el("canvas", { class: "legend-sign", "aria-hidden": "true" });
        signs.push([sign, r]);
        const box = el("input", { type: "checkbox", checked: true, on: { change: () => {
          if (box.checked) hidden.delete(r); else hidden.add(r);
          drawing?.hide(r, box.checked);
          redraw();
        } } });
        return el("li", {}, el("label", { class: "tick" }, box, sign, el("span", {}, `${role.words} (${count.toLocaleString("en")})`)));
      }));
      const paint = () => {
        if (!drawing) { if (list.isConnected) requestAnimationFrame(paint); return; }
        for (const [sign, r] of signs) {
          const dpr = window.devicePixelRatio || 1, pen = sign.getContext("2d");
          sign.width = 46 * dpr; sign.height = 28 * dpr;
          pen.setTransform(dpr, 0, 0, dpr, 23 * dpr, 14 * dpr);
          drawing.paintSign(pen, r);
        }
      };
      const again = () => { if (!list.isConnected && signs.painted) { document.removeEventListener("scheme", again); return; } requestAnimationFrame(() => requestAnimationFrame(paint)); };
      document.addEventListener("scheme", again);
      requestAnimationFrame(() => { paint(); signs.painted = true; });
      return el("div", {}, el("h3", { id }, "What is drawn"), list);
    },
  };
}
