/* The plan on the review map: areas, lines and places, told apart by their role. */
function athwartPlan(plan, tools) {
  "use strict";
  var ink = tools.ink, RAD = Math.PI / 180;
  /* Pattern and line tell the role by night, where there is one hue; by day colour helps (Okabe and Ito). */
  var LOOKS = {
    "seen": { day: "#56b4e9", text: "#1f6f9e", night: "faint", wash: 0.14, edge: 1 },
    "seen twice": { day: "#0072b2", night: "faint", wash: 0.12, hatch: "rising", edge: 1 },
    "under the boat": { day: "#5d6468", night: "faint", wash: 0.05, hatch: "dots", edge: 0.8, dash: [2, 2] },
    "shallow": { day: "#8a6d00", night: "ink", wash: 0.16, hatch: "level", edge: 1.2 },
    "not seen": { day: "#b35900", night: "ink", wash: 0.08, hatch: "falling", edge: 1.6, dash: [5, 3] },
    "zone": { day: "#a3123f", night: "accent", wash: 0.09, hatch: "cross", edge: 2 },
    "leg": { day: "#1d2730", night: "ink", width: 1.6, dash: [7, 5], arrows: true },
    "stop": { day: "#1d2730", night: "ink", width: 1.2 },
    "lane": { day: "#0072b2", night: "ink", width: 1.5, arrows: true },
    "drift": { day: "#00664a", night: "ink", width: 2.2, dash: [10, 4, 2, 4], arrows: true },
    "run": { day: "#00664a", night: "ink", width: 3, arrows: true, start: true },
    "cast": { day: "#1d2730", night: "ink", width: 1.2, sign: "cast" },
    "hold": { day: "#0072b2", night: "accent", width: 1.6, sign: "boat" }
  };
  var ORDER = Object.keys(LOOKS);
  function look(j) { return LOOKS[plan.roles[plan.features[j].role].role] || LOOKS.leg; }
  function colourOf(style) { return tools.night() ? ink[style.night] : style.day; }

  var items = plan.features.map(function (f) {
    var label = f.label.length ? tools.unrolled(f.label) : null;
    var item = {
      fills: f.fills.map(function (rings) { return rings.map(function (r) { return tools.unrolled(r); }); }),
      lines: f.lines.map(function (l) { return tools.unrolled(l); }),
      points: f.points.map(function (p) { return tools.unrolled(p); }),
      label: label
    };
    if (f.r95 && f.points.length) item.scale = tools.perMetre(1, [f.points[0][1]]);
    return item;
  });
  var order = items.map(function (item, j) { return j; });
  order.sort(function (i, j) {
    return ORDER.indexOf(plan.roles[plan.features[i].role].role) - ORDER.indexOf(plan.roles[plan.features[j].role].role) || i - j;
  });
  var hidden = plan.roles.map(function () { return false; }), chosen = -1;

  /* ---- patterns ---------------------------------------------------------------------- */
  var TILE = 12, tiles = {};
  function tile(kind, colour, dpr) {
    var key = [kind, colour, dpr].join();
    if (tiles[key]) return tiles[key];
    var picture = document.createElement("canvas"), side = Math.round(TILE * dpr), pen = picture.getContext("2d");
    picture.width = picture.height = side;
    pen.scale(side / TILE, side / TILE);
    pen.strokeStyle = pen.fillStyle = colour; pen.lineWidth = 0.9;
    pen.beginPath();
    if (kind === "rising") for (var s = -1; s <= 1; s++) { pen.moveTo(s * TILE, TILE); pen.lineTo((s + 1) * TILE, 0); }
    if (kind === "falling") for (var t = -1; t <= 1; t++) { pen.moveTo(t * TILE, 0); pen.lineTo((t + 1) * TILE, TILE); }
    if (kind === "level") { pen.moveTo(0, 3); pen.lineTo(7, 3); pen.moveTo(6, 9); pen.lineTo(12, 9); }
    if (kind === "cross") { pen.moveTo(3, 6); pen.lineTo(9, 6); pen.moveTo(6, 3); pen.lineTo(6, 9); }
    pen.stroke();
    if (kind === "dots") [[3, 3], [9, 9]].forEach(function (p) { pen.beginPath(); pen.arc(p[0], p[1], 1, 0, 7); pen.fill(); });
    return tiles[key] = picture;
  }
  function hatch(pen, kind, colour, dpr, x, y) {
    var pattern = pen.createPattern(tile(kind, colour, dpr), "repeat");
    /* It stays with the map when that moves, and is as fine as the screen. */
    pattern.setTransform(new DOMMatrix([1 / dpr, 0, 0, 1 / dpr, x % TILE, y % TILE]));
    return pattern;
  }

  /* ---- signs ------------------------------------------------------------------------- */
  function head(pen, x, y, dx, dy, size) {
    pen.beginPath();
    pen.moveTo(x + dx * size, y + dy * size);
    pen.lineTo(x - dx * size * 0.7 - dy * size * 0.62, y - dy * size * 0.7 + dx * size * 0.62);
    pen.lineTo(x - dx * size * 0.7 + dy * size * 0.62, y - dy * size * 0.7 - dx * size * 0.62);
    pen.closePath(); pen.fill();
  }
  function boat(pen, x, y, heading, colour) {
    pen.save();
    pen.translate(x, y);
    pen.beginPath();
    if (heading === undefined) {
      pen.arc(0, 0, 7, 0, 7);
    } else {
      pen.rotate(heading * RAD);
      pen.moveTo(0, -13); pen.quadraticCurveTo(7, -5, 6, 4); pen.lineTo(5, 9); pen.lineTo(-5, 9); pen.lineTo(-6, 4); pen.quadraticCurveTo(-7, -5, 0, -13);
    }
    pen.closePath();
    pen.fillStyle = ink.sheet; pen.fill();
    pen.strokeStyle = colour; pen.lineWidth = 2; pen.stroke();
    pen.beginPath(); pen.arc(0, 0, 1.8, 0, 7); pen.fillStyle = colour; pen.fill();
    pen.restore();
  }
  function cast(pen, x, y, colour) {
    pen.strokeStyle = colour; pen.lineWidth = 1.4; pen.fillStyle = ink.sheet;
    pen.beginPath(); pen.arc(x, y, 5.5, 0, 7); pen.fill(); pen.stroke();
    pen.beginPath(); pen.moveTo(x - 9, y); pen.lineTo(x + 9, y); pen.moveTo(x, y - 9); pen.lineTo(x, y + 9); pen.stroke();
  }
  function place(pen, style, x, y, heading, colour) {
    if (style.sign === "boat") boat(pen, x, y, heading, colour);
    else if (style.sign === "cast") cast(pen, x, y, colour);
    else { pen.fillStyle = colour; pen.beginPath(); pen.arc(x, y, 4, 0, 7); pen.fill(); }
  }

  /* ---- the drawing ------------------------------------------------------------------- */
  function draw(c, view) {
    var X = view.X, Y = view.Y;
    order.forEach(function (j) {
      if (hidden[plan.features[j].role]) return;
      var style = look(j), colour = j === chosen ? ink.accent : colourOf(style);
      areas(items[j], style, colour, j === chosen);
      items[j].lines.forEach(function (line) {
        if (view.inView(line.box, 20)) stroke(line, style, colour, j === chosen);
      });
    });
    order.forEach(function (j) {
      if (hidden[plan.features[j].role]) return;
      var style = look(j), colour = j === chosen ? ink.accent : colourOf(style), f = plan.features[j];
      items[j].points.forEach(function (p) {
        var x = X(p.u[0]), y = Y(p.v[0]);
        if (items[j].scale && view.inView(p.box, f.r95 * items[j].scale.east[0] * view.k + 20)) {
          c.save();
          c.translate(x, y); c.scale(items[j].scale.east[0] * view.k, items[j].scale.north[0] * view.k);
          c.beginPath(); c.arc(0, 0, f.r95, 0, 7);
          c.restore();
          c.strokeStyle = colour; c.lineWidth = 1.2; c.setLineDash([3, 3]); c.stroke(); c.setLineDash([]);
        }
        if (view.inView(p.box, 20)) place(c, style, x, y, f.heading, colour);
      });
    });
    function areas(item, style, colour, strong) {
      item.fills.forEach(function (rings) {
        if (!view.inView(rings[0].box, 4)) return;
        c.beginPath();
        rings.forEach(function (r) { view.trace(r); c.closePath(); });
        c.globalAlpha = style.wash || 0.1; c.fillStyle = colour; c.fill("evenodd");
        if (style.hatch) { c.globalAlpha = 0.45; c.fillStyle = hatch(c, style.hatch, colour, view.dpr, -view.min.x, -view.min.y); c.fill("evenodd"); }
        c.globalAlpha = 0.9; c.strokeStyle = colour; c.lineWidth = (style.edge || 1) * (strong ? 1.8 : 1); c.setLineDash(style.dash || []);
        c.stroke();
        c.setLineDash([]); c.globalAlpha = 1;
      });
    }
    function stroke(line, style, colour, strong) {
      var width = (style.width || style.edge || 1.5) * (strong ? 1.5 : 1);
      c.lineCap = "round";
      c.strokeStyle = ink.sheet; c.globalAlpha = 0.6; c.lineWidth = width + 2.5; c.beginPath(); view.trace(line); c.stroke();
      c.globalAlpha = 1; c.strokeStyle = colour; c.lineWidth = width; c.setLineDash(style.dash || []);
      c.beginPath(); view.trace(line); c.stroke();
      c.setLineDash([]); c.lineCap = "butt";
      if (style.start) {
        c.beginPath(); c.arc(X(line.u[0]), Y(line.v[0]), 5, 0, 7);
        c.fillStyle = ink.sheet; c.fill(); c.lineWidth = 2; c.stroke();
      }
      if (style.arrows) arrows(line, 4 + 1.3 * width, colour);
    }
    /* A head halfway on a short line, every 130 px on a long one, and one at its end. */
    function arrows(line, size, colour) {
      var total = 0, last = line.u.length - 1, i, d;
      for (i = 1; i <= last; i++) total += Math.hypot(X(line.u[i]) - X(line.u[i - 1]), Y(line.v[i]) - Y(line.v[i - 1]));
      if (total < 14) return;
      c.fillStyle = colour;
      var every = total / Math.max(2, Math.round(total / 130)), next = every, walked = 0;
      for (i = 1; i <= last; i++) {
        var x0 = X(line.u[i - 1]), y0 = Y(line.v[i - 1]), dx = X(line.u[i]) - x0, dy = Y(line.v[i]) - y0;
        d = Math.hypot(dx, dy);
        while (d > 0 && walked + d >= next - 1e-6) {
          var end = next > total - 1, t = (next - walked - (end ? size : 0)) / d;
          var x = x0 + dx * t, y = y0 + dy * t;
          if (x > -20 && y > -20 && x < view.W + 20 && y < view.H + 20) head(c, x, y, dx / d, dy / d, size);
          next += every;
        }
        walked += d;
      }
    }
  }
  /* A name that would lie over another is left out; going nearer makes room. */
  function names(view) {
    var X = view.X, Y = view.Y;
    order.slice().reverse().sort(function (i, j) { return (j === chosen) - (i === chosen); }).forEach(name);
    function name(j) {
      var f = plan.features[j], item = items[j];
      if (hidden[f.role] || !f.name || !item.label) return;
      var x = X(item.label.u[0]), y = Y(item.label.v[0]), room = 0;
      if (x < -100 || y < -20 || x > view.W + 20 || y > view.H + 20) return;
      if (item.fills.length) item.fills.forEach(function (rings) { room = Math.max(room, X(rings[0].box[2]) - X(rings[0].box[0])); });
      else if (item.lines.length) item.lines.forEach(function (l) { room = Math.max(room, X(l.box[2]) - X(l.box[0]), Y(l.box[3]) - Y(l.box[1])); });
      else room = Infinity;
      if (room < 60) return;
      var style = look(j), middle = item.fills.length > 0, left = middle ? x : x + 10, at = middle ? y : y - 12;
      var wide = view.width(f.name), from = left - (middle ? wide / 2 : 0);
      if (!view.free(from, at - 7, wide)) return;
      view.occupy(from, at - 7, wide);
      view.name(f.name, left, at, middle, j === chosen ? ink.accent : !tools.night() && style.text || colourOf(style));
    }
  }

  /* ---- pointing ---------------------------------------------------------------------- */
  function under(view, px, py, reach) {
    var X = view.X, Y = view.Y, hits = [];
    order.forEach(function (j, rank) {
      if (hidden[plan.features[j].role]) return;
      var item = items[j], best = Infinity;
      item.points.forEach(function (p) { best = Math.min(best, Math.hypot(X(p.u[0]) - px, Y(p.v[0]) - py)); });
      if (best <= reach) { hits.push([0, best, -rank, j]); return; }
      item.lines.forEach(function (l) {
        for (var i = 1; i < l.u.length; i++) best = Math.min(best, away(X(l.u[i - 1]), Y(l.v[i - 1]), X(l.u[i]), Y(l.v[i])));
      });
      if (best <= reach * 0.7) { hits.push([1, best, -rank, j]); return; }
      if (item.fills.some(within)) hits.push([2, 0, -rank, j]);
    });
    hits.sort(function (a, b) { return a[0] - b[0] || a[1] - b[1] || a[2] - b[2]; });
    return hits.map(function (h) { return h[3]; });
    function away(x0, y0, x1, y1) {
      var dx = x1 - x0, dy = y1 - y0, long = dx * dx + dy * dy;
      var t = long ? Math.max(0, Math.min(1, ((px - x0) * dx + (py - y0) * dy) / long)) : 0;
      return Math.hypot(x0 + t * dx - px, y0 + t * dy - py);
    }
    function within(rings) {
      var odd = false;
      rings.forEach(function (r) {
        for (var i = 1; i < r.u.length; i++) {
          var x0 = X(r.u[i - 1]), y0 = Y(r.v[i - 1]), x1 = X(r.u[i]), y1 = Y(r.v[i]);
          if ((y0 > py) !== (y1 > py) && px < x0 + (py - y0) / (y1 - y0) * (x1 - x0)) odd = !odd;
        }
      });
      return odd;
    }
  }

  /* ---- words ------------------------------------------------------------------------- */
  function words(j) { return plan.roles[plan.features[j].role].words; }
  function called(j) { return plan.features[j].name || words(j); }
  function card(j, others, say) {
    var f = plan.features[j], box = tools.make("div", { "class": "card", role: "dialog", "aria-label": called(j), tabindex: "-1" });
    box.appendChild(tools.userText("h2", called(j)));
    if (f.at) box.appendChild(tools.make("p", { "class": "at" }, f.at));
    var list = tools.make("dl");
    tools.row(list, "Plan", words(j), true);
    f.rows.forEach(function (r) { tools.row(list, r[0], r[1]); });
    tools.row(list, "Note", f.note);
    box.appendChild(list);
    var buttons = tools.make("div", { "class": "buttons" });
    if (others && others.length > 1) {
      var next = tools.make("button", { type: "button" }, "Next of " + others.length + " here");
      next.addEventListener("click", function () { say.next(others[(others.indexOf(j) + 1) % others.length]); });
      buttons.appendChild(next);
    }
    var close = tools.make("button", { type: "button" }, "Close");
    close.addEventListener("click", say.close);
    buttons.appendChild(close);
    box.appendChild(buttons);
    return box;
  }
  function paintSign(pen, r) {
    var style = LOOKS[plan.roles[r].role] || LOOKS.leg, colour = colourOf(style), dpr = window.devicePixelRatio || 1;
    var line = plan.features.some(function (f) { return f.role === r && f.lines.length; });
    var area = plan.features.some(function (f) { return f.role === r && f.fills.length; });
    if (area) {
      pen.beginPath(); pen.rect(-19, -9, 38, 18);
      pen.globalAlpha = style.wash || 0.1; pen.fillStyle = colour; pen.fill();
      if (style.hatch) { pen.globalAlpha = 0.6; pen.fillStyle = hatch(pen, style.hatch, colour, dpr, 0, 0); pen.fill(); }
      pen.globalAlpha = 1; pen.strokeStyle = colour; pen.lineWidth = style.edge || 1; pen.setLineDash(style.dash || []); pen.stroke(); pen.setLineDash([]);
    } else if (line) {
      pen.strokeStyle = colour; pen.lineWidth = style.width || style.edge || 1.5; pen.setLineDash(style.dash || []);
      pen.beginPath(); pen.moveTo(-20, 0); pen.lineTo(20, 0); pen.stroke(); pen.setLineDash([]);
      if (style.arrows) { pen.fillStyle = colour; head(pen, 4, 0, 1, 0, 4 + 1.3 * (style.width || 1.5)); }
      if (style.start) { pen.beginPath(); pen.arc(-18, 0, 4, 0, 7); pen.fillStyle = ink.sheet; pen.fill(); pen.lineWidth = 2; pen.stroke(); }
    } else place(pen, style, 0, 0, style.sign === "boat" ? 45 : undefined, colour);
  }

  return {
    count: items.length,
    draw: draw,
    names: names,
    under: under,
    card: card,
    called: called,
    words: words,
    roles: plan.roles,
    paintSign: paintSign,
    hide: function (r, on) { hidden[r] = !on; },
    choose: function (j) { chosen = j; if (j >= 0) hidden[plan.features[j].role] = false; },
    labelOf: function (j) { return plan.features[j].label; },
    steps: function (visit) {
      var own = plan.features.filter(function (f) { return plan.roles[f.role].role !== "zone"; });
      (own.length ? own : plan.features).forEach(function (f) {
        [].concat.apply([], f.fills).concat(f.lines, f.points).forEach(visit);
      });
    }
  };
}
