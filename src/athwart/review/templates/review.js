/* The review map's own script: lays out the data of this page on a Leaflet map. */
function athwartReview(map) {
  "use strict";
  var byId = function (id) { return document.getElementById(id); };
  var data = JSON.parse(byId("athwart-data").textContent);
  var root = document.documentElement, sheet = map.getContainer();
  var plane = data.plane, M = data.marks, S = data.sightings, kinds = data.kinds;
  var n = M.x.length, EARTH = 6378137, FLAT = 1 / 298.257223563, E2 = FLAT * (2 - FLAT);
  var RAD = Math.PI / 180;

  /* ---- small helpers ---------------------------------------------------------------- */
  function make(tag, attributes, text) {
    var element = document.createElement(tag);
    Object.keys(attributes || {}).forEach(function (key) { element.setAttribute(key, attributes[key]); });
    if (text !== undefined) element.textContent = text;
    return element;
  }
  function userText(tag, text) { return make(tag, { dir: "auto" }, text); }
  function plural(count, one, many) { return count.toLocaleString("en") + " " + (count === 1 ? one : many); }
  function fixed(value, digits) { return (value + 0).toFixed(digits); }
  function length(metres, digits) { return fixed(metres / data.units.metres, digits) + " " + data.units.word; }
  function errorText(tenths) {
    if (tenths === null) return "R95 not known";
    var metres = tenths / 10;
    return "R95 " + length(metres, metres / data.units.metres < 10 ? 1 : 0);
  }
  function dateText(days) { return new Date(days * 86400000).toISOString().slice(0, 10).replace(/-/g, "\u2011"); }
  function timeText(minutes) { return new Date((S.since + minutes) * 60000).toISOString().slice(0, 16).replace("T", " ") + " UTC"; }
  function nameless(i) { return !M.name[i].trim(); }
  function nameOf(i) { return nameless(i) ? "unnamed " + (kinds[M.kind[i]].word || "mark") + " at " + M.at[i] : M.name[i]; }
  function kindWord(k) { return kinds[k].word || "kind not given"; }

  /* ---- positions --------------------------------------------------------------------- */
  function minutes(value, width, letters) {
    var units = Math.round(Math.abs(value) * 600000), degrees = Math.floor(units / 600000);
    var rest = ((units - degrees * 600000) / 10000).toFixed(4);
    return String(degrees).padStart(width, "0") + "°" + rest.padStart(7, "0") + "'" + letters[value >= 0 ? 0 : 1];
  }
  function positionText(lat, lon) {
    lon = ((lon + 180) % 360 + 360) % 360 - 180;
    return minutes(lat, 2, "NS") + " " + minutes(lon, 3, "EW");
  }
  /* Direct problem on the WGS 84 ellipsoid (Vincenty 1975), from the middle of a polar sheet. */
  function fromPlane(x, y) {
    var s = Math.hypot(x, y), azimuth = Math.atan2(x, y), b = EARTH * (1 - FLAT);
    if (s === 0) return [plane.lat, plane.lon];
    var u1 = Math.atan((1 - FLAT) * Math.tan(plane.lat * RAD));
    var sinA = Math.cos(u1) * Math.sin(azimuth), cos2A = 1 - sinA * sinA;
    var s1 = Math.atan2(Math.tan(u1), Math.cos(azimuth));
    var uu = cos2A * E2 / (1 - E2);
    var A = 1 + uu / 16384 * (4096 + uu * (-768 + uu * (320 - 175 * uu)));
    var B = uu / 1024 * (256 + uu * (-128 + uu * (74 - 47 * uu)));
    var sigma = s / (b * A), last, mid, turn = 0;
    do {
      mid = Math.cos(2 * s1 + sigma);
      var sn = Math.sin(sigma), cs = Math.cos(sigma);
      last = sigma;
      sigma = s / (b * A) + B * sn * (mid + B / 4 * (cs * (2 * mid * mid - 1) -
        B / 6 * mid * (4 * sn * sn - 3) * (4 * mid * mid - 3)));
    } while (Math.abs(sigma - last) > 1e-12 && ++turn < 100);
    var S1 = Math.sin(u1), C1 = Math.cos(u1), sn2 = Math.sin(sigma), cs2 = Math.cos(sigma);
    var part = S1 * sn2 - C1 * cs2 * Math.cos(azimuth);
    var lat = Math.atan2(S1 * cs2 + C1 * sn2 * Math.cos(azimuth), (1 - FLAT) * Math.hypot(sinA, part));
    var lambda = Math.atan2(sn2 * Math.sin(azimuth), C1 * cs2 - S1 * sn2 * Math.cos(azimuth));
    var C = FLAT / 16 * cos2A * (4 + FLAT * (4 - 3 * cos2A));
    var L = lambda - (1 - C) * FLAT * sinA * (sigma + C * sn2 * (mid + C * cs2 * (2 * mid * mid - 1)));
    return [lat / RAD, plane.lon + L / RAD];
  }
  function latLngText(at) {
    if (!plane) return positionText(Math.max(-90, Math.min(90, at.lat)), at.lng);
    var place = fromPlane(at.lng, at.lat);
    return positionText(place[0], place[1]);
  }

  /* ---- map coordinates: u right, v down, in pixels of scale 0 ---------------------------- */
  function across(x) { return plane ? x : (x + 180) / 360 * 256; }
  function down(y) {
    return plane ? -y : 128 - 128 / Math.PI * Math.asinh(Math.tan(y * RAD));
  }
  function spread(column, origin, fn) {
    var out = new Float64Array(column.length);
    for (var i = 0; i < out.length; i++) out[i] = fn(origin + column[i] * data.quantum);
    return out;
  }
  function placed(from) {
    return { u: spread(from.x, data.origin[0], across), v: spread(from.y, data.origin[1], down) };
  }
  /* With the box at which outlines were cut off, steps that run along its edge are marked. */
  function unrolled(deltas, edge) {
    var count = deltas.length / 2, u = new Float64Array(count), v = new Float64Array(count), x = 0, y = 0;
    var cut = edge && new Uint8Array(count + 1), side, was = 0;
    for (var i = 0; i < count; i++) {
      x += deltas[2 * i]; y += deltas[2 * i + 1];
      if (edge) {
        side = (x === edge[0] ? 1 : 0) | (y === edge[1] ? 2 : 0) | (x === edge[2] ? 4 : 0) | (y === edge[3] ? 8 : 0);
        cut[i] = side & was ? 1 : 0;
        was = side;
      }
      u[i] = across(data.origin[0] + x * data.quantum);
      v[i] = down(data.origin[1] + y * data.quantum);
    }
    var box = [Infinity, Infinity, -Infinity, -Infinity];
    for (i = 0; i < count; i++) {
      box[0] = Math.min(box[0], u[i]); box[1] = Math.min(box[1], v[i]);
      box[2] = Math.max(box[2], u[i]); box[3] = Math.max(box[3], v[i]);
    }
    return { u: u, v: v, box: box, cut: cut };
  }
  /* Pixels of scale 0 for one metre east and one metre north; the ellipsoid stretches them apart. */
  function perMetre(count, y) {
    var east = new Float64Array(count), north = new Float64Array(count);
    for (var i = 0; i < count; i++) {
      if (plane) { east[i] = north[i] = 1; continue; }
      var lat = (data.origin[1] + y[i] * data.quantum) * RAD, sin = Math.sin(lat), w = 1 - E2 * sin * sin;
      var k = 128 / Math.PI / Math.cos(lat) / EARTH * Math.sqrt(w);
      east[i] = k; north[i] = k * w / (1 - E2);
    }
    return { east: east, north: north };
  }
  /* Sightings lie mark by mark, those of no mark last; their places come as steps from their mark's. */
  var looks = [], loose = 0;
  M.looks.forEach(function (count, i) {
    looks.push([]);
    for (var end = loose + count; loose < end; loose++) {
      looks[i].push(loose);
      S.x[loose] += M.x[i]; S.y[loose] += M.y[i];
    }
  });
  var at = placed(M), scaleOf = perMetre(n, M.y), seen = placed(S), seenScale = perMetre(S.x.length, S.y);
  var boat = {
    u: spread(S.x.map(function (x, i) { return x + (S.bx[i] || 0); }), data.origin[0], across),
    v: spread(S.y.map(function (y, i) { return y + (S.by[i] || 0); }), data.origin[1], down)
  };
  var tracks = data.tracks.map(function (t) { return unrolled(t.d); });
  var shapes = data.shapes.map(function (s) { return unrolled(s.d); });
  var near = data.near.map(placed);
  var ground = data.background && {
    fills: data.background.fills.map(function (rings) { return rings.map(function (r) { return unrolled(r, data.background.box); }); }),
    lines: data.background.lines.map(function (l) { return unrolled(l); }),
    points: data.background.points.map(function (p) { return unrolled(p); })
  };
  var sonar = data.pictures.map(function (p) {
    var one = {
      image: null, tinted: {}, outline: p.outline.map(function (r) { return unrolled(r); }),
      box: [across(p.box[0]), down(p.box[3]), across(p.box[2]), down(p.box[1])]
    };
    if (p.png) {
      one.image = new Image();
      one.image.onload = function () { one.loaded = true; redraw(); };
      one.image.src = "data:image/png;base64," + p.png;
    }
    return one;
  });

  /* ---- state ------------------------------------------------------------------------- */
  var shown = {}, hiddenKind = kinds.map(function () { return false; }), selected = -1, drawn = [];
  var scheme = window.matchMedia && window.matchMedia("(prefers-color-scheme: dark)").matches ? "night" : "day";
  var ink = {};
  function readInk() {
    var style = getComputedStyle(root);
    ["paper", "sheet", "ink", "faint", "rule", "accent", "wash"].forEach(function (name) {
      ink[name] = style.getPropertyValue("--" + name).trim();
    });
  }

  var plan = athwartPlan(data.plan, {
    ink: ink, unrolled: unrolled, perMetre: perMetre, make: make, userText: userText, row: row,
    night: function () { return scheme === "night"; }
  });

  /* ---- shapes ------------------------------------------------------------------------ */
  var CODE_FONT = '700 10px "Liberation Sans", Arial, Helvetica, sans-serif';
  function outline(c, shape, w, h) {
    var x = w / 2, y = h / 2;
    c.beginPath();
    if (shape === "triangle") { c.moveTo(0, -y * 1.25); c.lineTo(x * 1.2, y); c.lineTo(-x * 1.2, y); }
    else if (shape === "basin") { c.moveTo(-x, -y); c.lineTo(x, -y); c.lineTo(x * 0.55, y); c.lineTo(-x * 0.55, y); }
    else if (shape === "trapezium") { c.moveTo(-x * 0.6, -y); c.lineTo(x * 0.6, -y); c.lineTo(x, y); c.lineTo(-x, y); }
    else if (shape === "diamond") { c.moveTo(0, -y * 1.3); c.lineTo(x * 1.15, 0); c.lineTo(0, y * 1.3); c.lineTo(-x * 1.15, 0); }
    else if (shape === "hexagon") { c.moveTo(-x, 0); c.lineTo(-x * 0.55, -y); c.lineTo(x * 0.55, -y); c.lineTo(x, 0); c.lineTo(x * 0.55, y); c.lineTo(-x * 0.55, y); }
    else if (shape === "circle") { c.arc(0, 0, Math.max(x, y), 0, 7); }
    else if (shape === "lens") { c.moveTo(-x * 1.15, 0); c.quadraticCurveTo(0, -y * 2.1, x * 1.15, 0); c.quadraticCurveTo(0, y * 2.1, -x * 1.15, 0); }
    else if (shape === "capsule") { c.arc(-x + y, 0, y, Math.PI / 2, Math.PI * 1.5); c.arc(x - y, 0, y, -Math.PI / 2, Math.PI / 2); }
    else { c.rect(-x, -y, w, h); }
    c.closePath();
  }
  function isDark(colour) {
    var v = parseInt(colour.slice(1), 16);
    return 0.299 * (v >> 16) + 0.587 * (v >> 8 & 255) + 0.114 * (v & 255) < 110;
  }
  var ROOM = { triangle: [17, 17], diamond: [22, 17], circle: [18, 18], lens: [22, 13], basin: [25, 15], trapezium: [24, 15], hexagon: [25, 16], bar: [25, 12], capsule: [28, 14], square: [18, 15] };
  function paintShape(c, kind, hazard, small) {
    var symbol = kinds[kind], size = ROOM[symbol.shape], night = scheme === "night";
    var w = size[0], h = size[1];
    c.font = CODE_FONT;
    if (symbol.shape === "square" || symbol.shape === "bar") w = Math.max(w, c.measureText(symbol.code).width + 7);
    if (small) { w *= 0.45; h *= 0.45; }
    if (hazard) {
      c.beginPath();
      c.setLineDash([1.5, 2.5]);
      c.arc(0, 0, Math.max(w, h) / 2 + (small ? 2 : 5), 0, 7);
      c.lineWidth = small ? 1 : 1.6; c.strokeStyle = ink.ink; c.stroke();
      c.setLineDash([]);
    }
    outline(c, symbol.shape, w, h);
    c.fillStyle = night ? ink.sheet : symbol.colour;
    c.fill();
    c.lineWidth = small ? 1 : 1.3; c.strokeStyle = ink.ink; c.stroke();
    if (small) return;
    c.fillStyle = night ? ink.ink : isDark(symbol.colour) ? "#ffffff" : "#000000";
    c.textAlign = "center"; c.textBaseline = "middle";
    c.fillText(symbol.code, 0, symbol.shape === "triangle" ? 3 : 0.5);
  }
  var stamps = {}, ratio = 1, HALF = 26, HALF_SMALL = 14;
  function stamp(kind, hazard, small) {
    var key = [kind, hazard, small].join();
    if (!stamps[key]) {
      var picture = document.createElement("canvas"), half = small ? HALF_SMALL : HALF;
      picture.width = picture.height = half * 2 * ratio;
      var c = picture.getContext("2d");
      c.scale(ratio, ratio); c.translate(half, half);
      paintShape(c, kind, hazard, small);
      stamps[key] = picture;
    }
    return stamps[key];
  }

  /* ---- the drawing ------------------------------------------------------------------- */
  var canvas = make("canvas", { "class": "marks", "aria-hidden": "true" }), c = canvas.getContext("2d");
  map.getPanes().overlayPane.appendChild(canvas);

  function draw() {
    waiting = 0;
    var size = map.getSize(), zoom = map.getZoom(), k = Math.pow(2, zoom), min = map.getPixelBounds().min;
    var W = size.x, H = size.y, dpr = window.devicePixelRatio || 1;
    if (dpr !== ratio) { ratio = dpr; stamps = {}; }
    if (canvas.width !== Math.round(W * dpr) || canvas.height !== Math.round(H * dpr)) {
      canvas.width = Math.round(W * dpr); canvas.height = Math.round(H * dpr);
      canvas.style.width = W + "px"; canvas.style.height = H + "px";
    }
    L.DomUtil.setPosition(canvas, map.containerPointToLayerPoint([0, 0]));
    c.setTransform(dpr, 0, 0, dpr, 0, 0);
    c.clearRect(0, 0, W, H);
    c.lineJoin = "round";
    var X = function (u) { return u * k - min.x; }, Y = function (v) { return v * k - min.y; };
    var metre = k * (plane ? 1 : n ? scaleOf.east[middleMark()] : perMetre(1, [0]).east[0]);

    function inView(box, pad) {
      return X(box[2]) > -pad && X(box[0]) < W + pad && Y(box[3]) > -pad && Y(box[1]) < H + pad;
    }
    function trace(line, shore) {
      var px = NaN, py = NaN, cut = shore && line.cut;
      for (var i = 0; i < line.u.length; i++) {
        var x = X(line.u[i]), y = Y(line.v[i]), lift = !i || (cut && cut[i]);
        if (!lift && !(cut && cut[i + 1]) && i < line.u.length - 1 && Math.abs(x - px) < 0.7 && Math.abs(y - py) < 0.7) continue;
        if (lift) c.moveTo(x, y); else c.lineTo(x, y);
        px = x; py = y;
      }
    }
    function ellipse(x, y, a, b, azimuth, east, north) {
      c.save();
      c.translate(x, y); c.scale(east * k, north * k);
      c.beginPath();
      c.ellipse(0, 0, a / 10, Math.max(b / 10, 0.05), (azimuth - 90) * RAD, 0, 7);
      c.restore();
    }

    if (shown.ground) drawGround();
    if (shown.sonar) drawSonar();
    if (shown.grid) drawGrid();
    if (shown.tracks) {
      c.strokeStyle = ink.faint; c.lineWidth = 1; c.globalAlpha = 0.75;
      c.beginPath();
      tracks.forEach(function (t) { if (inView(t.box, 2)) trace(t); });
      c.stroke();
      c.globalAlpha = 1;
    }

    if (shown.shapes) shapes.forEach(function (line, j) {
      if (!inView(line.box, 2)) return;
      c.strokeStyle = ink.ink; c.lineWidth = 2;
      c.beginPath(); trace(line);
      if (data.shapes[j].area) { c.globalAlpha = 0.12; c.fillStyle = ink.ink; c.fill(); c.globalAlpha = 1; }
      c.stroke();
      var middle = Math.floor((line.u.length - (data.shapes[j].area ? 1 : 0)) / 2);
      if (shown.names) label(data.shapes[j].title, X(line.u[middle]) + 6, Y(line.v[middle]) - 6, true);
    });

    view = { X: X, Y: Y, k: k, W: W, H: H, dpr: dpr, min: min, inView: inView, trace: trace, name: planName, width: planWidth };
    if (shown.plan) plan.draw(c, view);

    drawn = [];
    for (var i = 0; i < n; i++) {
      if (hiddenKind[M.kind[i]]) continue;
      var x = X(at.u[i]), y = Y(at.v[i]);
      if (x > -40 && y > -40 && x < W + 40 && y < H + 40) drawn.push([i, x, y]);
      else if (shown.errors && M.a[i] !== null) {
        var reach = M.a[i] / 10 * scaleOf.east[i] * k;
        if (reach > 40 && x > -reach && y > -reach && x < W + reach && y < H + reach) drawn.push([i, x, y]);
      }
    }
    drawn.sort(function (p, r) { return M.hazard[p[0]] - M.hazard[r[0]] || p[0] - r[0]; });
    var close = metre > 0.35, crowded = drawn.length > 700;

    if (shown.errors) drawn.forEach(function (d) {
      var i = d[0];
      if (M.a[i] === null && M.r95[i] === null) return;
      var a = M.a[i] === null ? M.r95[i] : M.a[i], b = M.a[i] === null ? M.r95[i] : M.b[i];
      if (a / 10 * metre < 3 && i !== selected) return;
      ellipse(d[1], d[2], a, b, M.az[i] || 0, scaleOf.east[i], scaleOf.north[i]);
      var weight = 1 / (1 + a / 80);
      c.globalAlpha = 0.05 + 0.24 * weight; c.fillStyle = ink.ink; c.fill();
      c.globalAlpha = 0.25 + 0.6 * weight; c.strokeStyle = ink.ink; c.lineWidth = 1; c.stroke();
      c.globalAlpha = 1;
    });

    if (shown.apart) drawApart();
    var busy = crowded && metre < 1;
    drawn.forEach(function (d) {
      if (d[0] !== selected && close && !busy) drawLooks(d[0], d[1], d[2], false);
    });
    if (shown.looks) drawLoose();
    if (selected >= 0) drawSelected();
    drawShapes();

    function drawLooks(i, x, y, strong) {
      looks[i].forEach(function (s) {
        var sx = X(seen.u[s]), sy = Y(seen.v[s]);
        if (shown.rays && S.bx[s] !== null) {
          var bx = X(boat.u[s]), by = Y(boat.v[s]);
          c.beginPath(); c.moveTo(bx, by); c.lineTo(sx, sy);
          c.globalAlpha = strong ? 1 : 0.45; c.lineWidth = strong ? 1.3 : 0.7;
          c.setLineDash([6, 3]); c.strokeStyle = strong ? ink.accent : ink.faint; c.stroke(); c.setLineDash([]);
          c.globalAlpha = 1;
          c.fillStyle = ink.sheet; c.strokeStyle = strong ? ink.accent : ink.ink; c.lineWidth = 1;
          c.beginPath(); c.moveTo(bx, by - 5); c.lineTo(bx + 4, by + 4); c.lineTo(bx - 4, by + 4); c.closePath();
          c.fill(); c.stroke();
        }
        if (!shown.looks) return;
        if (strong && S.a[s] !== null) {
          ellipse(sx, sy, S.a[s], S.b[s], S.az[s], seenScale.east[s], seenScale.north[s]);
          c.globalAlpha = 0.3 + 0.5 / (1 + S.a[s] / 80); c.strokeStyle = ink.accent; c.lineWidth = 0.8; c.stroke(); c.globalAlpha = 1;
        }
        c.beginPath(); c.moveTo(x, y); c.lineTo(sx, sy);
        c.strokeStyle = strong ? ink.accent : ink.ink; c.lineWidth = strong ? 1.2 : 0.6; c.stroke();
        dot(sx, sy, strong);
      });
    }
    function dot(x, y, strong) {
      c.beginPath(); c.arc(x, y, 2.4, 0, 7);
      c.fillStyle = ink.sheet; c.fill();
      c.strokeStyle = strong ? ink.accent : ink.ink; c.lineWidth = 1; c.stroke();
    }
    function drawLoose() {
      for (var s = loose; s < S.x.length; s++) {
        var x = X(seen.u[s]), y = Y(seen.v[s]);
        if (x > -4 && y > -4 && x < W + 4 && y < H + 4) dot(x, y, false);
      }
    }
    function drawSelected() {
      var i = selected, x = X(at.u[i]), y = Y(at.v[i]);
      if (M.r95[i] !== null && shown.errors) {
        ellipse(x, y, M.r95[i], M.r95[i], 0, scaleOf.east[i], scaleOf.north[i]);
        c.setLineDash([2, 3]); c.strokeStyle = ink.accent; c.lineWidth = 1.3; c.stroke(); c.setLineDash([]);
      }
      drawLooks(i, x, y, true);
    }
    function drawApart() {
      near.forEach(function (p, j) {
        var x1 = X(p.u[0]), y1 = Y(p.v[0]), x2 = X(p.u[1]), y2 = Y(p.v[1]);
        if (Math.max(x1, x2) < -300 || Math.min(x1, x2) > W + 300 || Math.max(y1, y2) < -50 || Math.min(y1, y2) > H + 50) return;
        var d = Math.hypot(x2 - x1, y2 - y1);
        if (d < 8) return;
        var mx = (x1 + x2) / 2, my = (y1 + y2) / 2, nx = (x2 - x1) / d, ny = (y2 - y1) / d;
        c.strokeStyle = ink.ink; c.lineWidth = 1.2; c.setLineDash([3, 3]);
        c.beginPath(); c.moveTo(x1, y1); c.lineTo(x2, y2); c.stroke(); c.setLineDash([]);
        c.beginPath(); c.moveTo(mx - ny * 6, my + nx * 6); c.lineTo(mx + ny * 6, my - nx * 6); c.stroke();
        if (d > 90) label(data.near[j].why, mx + 6, my - 8, true);
      });
    }
    function label(text, x, y, italic) {
      c.font = (italic ? "italic " : "") + '13px "Palatino Linotype", "Liberation Serif", Georgia, serif';
      c.textAlign = "left"; c.textBaseline = "middle";
      if (text.length > 60) text = text.slice(0, 59) + "…";
      c.lineWidth = 3; c.strokeStyle = ink.sheet; c.strokeText(text, x, y);
      c.fillStyle = ink.ink; c.fillText(text, x, y);
      return c.measureText(text).width;
    }
    function cutOff(x, w) { return x < 2 || x + w > W - 2; }
    function planFont(text) {
      c.font = 'italic 13px "Palatino Linotype", "Liberation Serif", Georgia, serif';
      return text.length > 40 ? text.slice(0, 39) + "…" : text;
    }
    function planWidth(text) { return c.measureText(planFont(text)).width; }
    function planName(text, x, y, middle, colour) {
      text = planFont(text);
      c.textAlign = middle ? "center" : "left"; c.textBaseline = "middle";
      c.lineWidth = 3.5; c.strokeStyle = ink.sheet; c.strokeText(text, x, y);
      c.fillStyle = colour; c.fillText(text, x, y);
    }
    function drawShapes() {
      var filled = new Set(), cover = 7, covered = new Set(), hidden = 0, list = drawn.slice();
      if (!shown.marks) { covering(0); namePlan(); return; }
      /* From the last, which lies on top: a mark wholly under another is left out. */
      for (var j = list.length - 1; j >= 0; j--) {
        var d = list[j];
        if (!crowded || d[0] === selected) continue;
        var cell = Math.floor(d[1] / cover) * 100000 + Math.floor(d[2] / cover);
        if (covered.has(cell)) { list[j] = null; hidden++; } else covered.add(cell);
      }
      var half = crowded ? HALF_SMALL : HALF;
      list.forEach(function (d) {
        if (!d) return;
        c.drawImage(stamp(M.kind[d[0]], M.hazard[d[0]], crowded), d[1] - half, d[2] - half, half * 2, half * 2);
      });
      if (selected >= 0) {
        var x = X(at.u[selected]), y = Y(at.v[selected]);
        c.drawImage(stamp(M.kind[selected], M.hazard[selected], false), x - HALF, y - HALF, HALF * 2, HALF * 2);
        c.beginPath(); c.arc(x, y, 21, 0, 7); c.strokeStyle = ink.accent; c.lineWidth = 2.5; c.stroke();
      }
      if (shown.names && !crowded) {
        list.sort(function (p, r) { return (r[0] === selected) - (p[0] === selected) || M.hazard[r[0]] - M.hazard[p[0]] || p[0] - r[0]; });
        list.forEach(function (d) { occupy(d[1] - 13, d[2] - 8, 26); });
        list.forEach(function (d) {
          var text = M.name[d[0]];
          if (nameless(d[0])) return;
          c.font = '13px "Palatino Linotype", "Liberation Serif", Georgia, serif';
          var w = c.measureText(text.slice(0, 60)).width, sides = [[d[1] + 18, d[2]], [d[1] - 18 - w, d[2]], [d[1] - w / 2, d[2] + 20], [d[1] - w / 2, d[2] - 20]];
          /* A name that would be cut at the edge of the sheet goes to another side, if there is one. */
          sides.sort(function (p, r) { return cutOff(p[0], w) - cutOff(r[0], w); });
          for (var s = 0; s < 4; s++) {
            if (free(sides[s][0], sides[s][1] - 7, w)) {
              occupy(sides[s][0], sides[s][1] - 7, w);
              label(text, sides[s][0], sides[s][1], false);
              break;
            }
          }
        });
      }
      covering(hidden);
      namePlan();
      function namePlan() {
        if (!shown.plan || !shown.names) return;
        view.free = free; view.occupy = occupy;
        plan.names(view);
      }
      function cells(x, y, w, visit) {
        for (var gx = Math.floor(x / 8); gx <= Math.floor((x + w) / 8); gx++)
          for (var gy = Math.floor(y / 8); gy <= Math.floor((y + 14) / 8); gy++)
            if (visit(gx * 100000 + gy) === false) return false;
        return true;
      }
      function occupy(x, y, w) { cells(x, y, w, function (key) { filled.add(key); }); }
      function free(x, y, w) { return cells(x, y, w, function (key) { return !filled.has(key); }); }
    }
    function drawGround() {
      if (!ground) return;
      c.fillStyle = ink.wash; c.strokeStyle = ink.rule; c.lineWidth = 1;
      ground.fills.forEach(function (rings) {
        if (!inView(rings[0].box, 2)) return;
        c.beginPath();
        rings.forEach(function (r) { trace(r); c.closePath(); });
        c.fill("evenodd");
        c.beginPath();
        rings.forEach(function (r) { if (inView(r.box, 2)) trace(r, true); });
        c.stroke();
      });
      c.beginPath();
      ground.lines.forEach(function (l) { if (inView(l.box, 2)) trace(l); });
      c.stroke();
      c.fillStyle = ink.faint;
      ground.points.forEach(function (p) {
        if (inView(p.box, 2)) { c.beginPath(); c.arc(X(p.u[0]), Y(p.v[0]), 2, 0, 7); c.fill(); }
      });
    }
    function drawSonar() {
      sonar.forEach(function (p) {
        var x = X(p.box[0]), y = Y(p.box[1]);
        if (p.loaded && inView(p.box, 0)) c.drawImage(tint(p), x, y, X(p.box[2]) - x, Y(p.box[3]) - y);
        c.beginPath();
        p.outline.forEach(function (r) { if (inView(r.box, 2)) trace(r); });
        c.strokeStyle = ink.faint; c.lineWidth = 1; c.stroke();
      });
    }
    /* Grey by day; by night in the sheet's own dim ink, so that it does not blind. */
    function tint(p) {
      if (scheme !== "night") return p.image;
      if (!p.tinted.night) {
        var canvas = document.createElement("canvas"), pen = canvas.getContext("2d");
        canvas.width = p.image.naturalWidth; canvas.height = p.image.naturalHeight;
        pen.drawImage(p.image, 0, 0);
        pen.globalCompositeOperation = "multiply"; pen.fillStyle = ink.faint; pen.fillRect(0, 0, canvas.width, canvas.height);
        pen.globalCompositeOperation = "destination-in"; pen.drawImage(p.image, 0, 0);
        p.tinted.night = canvas;
      }
      return p.tinted.night;
    }
    function drawGrid() {
      c.strokeStyle = ink.rule; c.lineWidth = 0.6; c.globalAlpha = 0.8;
      c.fillStyle = ink.faint; c.font = '11px "DejaVu Sans Mono", Consolas, monospace';
      c.textBaseline = "top"; c.textAlign = "left";
      var bounds = map.getBounds(), wide = bounds.getEast() - bounds.getWest(), high = bounds.getNorth() - bounds.getSouth();
      var stepX = gridStep(wide * 130 / W), stepY = gridStep(high * 110 / H), v, p, count;
      c.beginPath();
      var marksX = [], marksY = [];
      for (v = Math.ceil(bounds.getWest() / stepX), count = 0; v * stepX < bounds.getEast() && count < 60; v++, count++) {
        p = Math.round(X(across(v * stepX))) + 0.5;
        c.moveTo(p, 0); c.lineTo(p, H); marksX.push([p, v * stepX]);
      }
      for (v = Math.ceil(bounds.getSouth() / stepY), count = 0; v * stepY < bounds.getNorth() && count < 60; v++, count++) {
        if (!plane && Math.abs(v * stepY) > 85.05) continue;
        p = Math.round(Y(down(v * stepY))) + 0.5;
        c.moveTo(0, p); c.lineTo(W, p); marksY.push([p, v * stepY]);
      }
      c.stroke();
      c.globalAlpha = 1;
      marksX.forEach(function (m) { c.fillText(gridText(m[1], stepX, 3, "EW"), m[0] + 3, 3); });
      marksY.forEach(function (m) { if (m[0] > 24) c.fillText(gridText(m[1], stepY, 2, "NS"), 3, m[0] + 2); });
    }
    function gridStep(wanted) {
      var steps = plane ? [1] : [1 / 600, 1 / 300, 1 / 120, 1 / 60, 1 / 30, 1 / 12, 1 / 6, 1 / 4, 1 / 2, 1, 2, 5, 10, 15, 30];
      if (!plane && wanted > 1 / 600) {
        for (var s = 0; s < steps.length; s++) if (steps[s] >= wanted) return steps[s];
        return 45;
      }
      var unit = plane ? 1 : 1 / 60, ten = Math.pow(10, Math.floor(Math.log10(wanted / unit)));
      var lead = wanted / unit / ten;
      return (lead <= 2 ? 2 : lead <= 5 ? 5 : 10) * ten * unit;
    }
    function gridText(value, step, width, letters) {
      if (plane) return (Math.abs(value) < step / 2 ? 0 : Math.abs(value)).toLocaleString("en") + " m " + (Math.abs(value) < step / 2 ? "" : { EW: ["east", "west"], NS: ["up", "down"] }[letters][value > 0 ? 0 : 1]);
      if (width === 3) value = ((value + 180) % 360 + 360) % 360 - 180;
      var places = Math.max(0, -Math.floor(Math.log10(step * 60) + 1e-9)), unit = Math.pow(10, places);
      var units = Math.round(Math.abs(value) * 60 * unit), degrees = Math.floor(units / (60 * unit));
      var rest = ((units - degrees * 60 * unit) / unit).toFixed(places).padStart(places ? places + 3 : 2, "0");
      return String(degrees).padStart(width, "0") + "°" + (step >= 1 ? "" : rest + "'") + letters[value >= 0 ? 0 : 1];
    }
    function middleMark() {
      return selected >= 0 ? selected : 0;
    }
  }
  var waiting = 0, view = null;
  function redraw() { if (!waiting) waiting = requestAnimationFrame(draw); }
  /* What is pointed at is judged by the sheet as it lies, not by the picture that is about to be replaced. */
  function drawWhatWaits() { if (waiting) { cancelAnimationFrame(waiting); draw(); } }
  function covering(hidden) {
    var all = plural(n, "mark", "marks");
    var tail = S.x.length ? " from " + plural(S.x.length, "sighting", "sightings") : "";
    var whole = n ? all + tail + (hidden ? "; " + plural(hidden, "lies", "lie") + " under others, go nearer" : "") : "";
    byId("count").textContent = whole + (plan.count ? (whole ? "; " : "") + plural(plan.count, "shape", "shapes") + " of a plan" : "");
  }

  /* ---- the card of one mark ------------------------------------------------------------ */
  var popup = L.popup({ maxWidth: 300, minWidth: 220, autoPanPadding: [12, 12], closeButton: false, closeOnEscapeKey: false, className: "card-popup" });
  var cameFrom = null;
  function row(list, term, text, plain) {
    if (text === "" || text === null || text === undefined) return;
    list.appendChild(make("dt", {}, term));
    var cell = plain ? make("dd", {}, text) : userText("dd", text);
    list.appendChild(cell);
  }
  function visitText(i, whole) {
    if (!M.visits || !M.visits[i]) return "";
    var day = M.visitDay[i], said = whole ? M.visitSaid[i] : "";
    var last = day || said ? "; last" + (day ? " " + day : "") + (said ? ": " + said : "") : "";
    return plural(M.visits[i], "time", "times") + last;
  }
  function card(i, others) {
    var box = make("div", { "class": "card", role: "dialog", "aria-label": "Mark " + nameOf(i), tabindex: "-1" });
    box.appendChild(userText("h2", nameOf(i)));
    var place = make("p", { "class": "at" }, M.at[i]);
    box.appendChild(place);
    var list = make("dl"), below = data.below[M.below[i]];
    row(list, "Kind", kindWord(M.kind[i]) + (M.hazard[i] ? ", hazard" : ""));
    row(list, "Error", errorText(M.r95[i]) + (M.a[i] === null ? "" : "; ellipse " + length(M.a[i] / 10, 1) + " by " + length(M.b[i] / 10, 1)), true);
    if (M.depth[i] !== null) row(list, "Depth", length(M.depth[i] / 100, 1) + (below ? " below " + below : ", not said below what"), true);
    if (M.height[i] !== null) row(list, "Height", length(M.height[i] / 100, 1) + " above the bottom", true);
    row(list, "Least depth", M.least[i] !== null ? length(M.least[i] / 100, 1) + (below ? " below " + below : "") : "not known", true);
    if (M.sightings[i]) row(list, "Seen", plural(M.sightings[i], "time", "times") + (M.trips[i] ? " on " + plural(M.trips[i], "trip", "trips") : ""), true);
    if (M.last[i] !== null) {
      var first = M.first[i] === null ? "" : dateText(M.first[i]), last = dateText(M.last[i]);
      row(list, "When", first && first !== last ? first + " to " + last : last, true);
    }
    var order = data.orders[M.order[i]];
    if (order && order !== "none") row(list, "S-44", order + " (horizontal limit only)", true);
    row(list, "Visited", visitText(i, true));
    row(list, "Note", M.note[i]);
    box.appendChild(list);
    near.forEach(function (p, j) {
      for (var e = 0; e < 2; e++)
        if (Math.abs(data.near[j].x[e] - M.x[i]) < 2 && Math.abs(data.near[j].y[e] - M.y[i]) < 2)
          box.appendChild(make("p", {}, "Kept apart from a neighbour: ")).appendChild(userText("bdi", data.near[j].why));
    });
    if (looks[i].length) {
      var more = make("details"), lines = make("ul");
      more.appendChild(make("summary", {}, plural(looks[i].length, "sighting", "sightings")));
      looks[i].forEach(function (s) {
        var parts = [S.name[s], S.trips[S.trip[s]], S.time[s] === null ? "" : timeText(S.time[s]), S.hows[S.how[s]]];
        lines.appendChild(userText("li", parts.filter(Boolean).join(" · ") || "sighting"));
      });
      more.appendChild(lines);
      box.appendChild(more);
    }
    var buttons = make("div", { "class": "buttons" }), copy = make("button", { type: "button" }, "Copy position");
    copy.addEventListener("click", function () { copyText(M.at[i], place, copy); });
    buttons.appendChild(copy);
    if (others && others.length > 1) {
      var next = make("button", { type: "button" }, "Next of " + others.length + " here");
      next.addEventListener("click", function () {
        choose(others[(others.indexOf(i) + 1) % others.length], { others: others, focus: true });
      });
      buttons.appendChild(next);
    }
    var close = make("button", { type: "button" }, "Close");
    close.addEventListener("click", leave);
    buttons.appendChild(close);
    box.appendChild(buttons);
    return box;
  }
  function copyText(text, place, button) {
    function said(ok) {
      button.textContent = ok ? "Copied" : "Marked: copy it";
      setTimeout(function () { button.textContent = "Copy position"; }, 2500);
    }
    function byHand() {
      var range = document.createRange(), selection = window.getSelection();
      range.selectNodeContents(place); selection.removeAllRanges(); selection.addRange(range);
      var ok = false;
      try { ok = document.execCommand("copy"); } catch (error) { ok = false; }
      said(ok);
    }
    if (navigator.clipboard && navigator.clipboard.writeText)
      navigator.clipboard.writeText(text).then(function () { said(true); }, byHand);
    else byHand();
  }
  function placeOf(i) {
    var x = data.origin[0] + M.x[i] * data.quantum, y = data.origin[1] + M.y[i] * data.quantum;
    return L.latLng(y, x);
  }
  function choose(i, how) {
    how = how || {};
    selected = i;
    if (how.go) {
      var zoom = Math.max(map.getZoom(), plane ? 0.5 : 17);
      map.setView(placeOf(i), Math.min(zoom, map.getMaxZoom()), { animate: false });
    }
    popup.options.maxHeight = Math.max(150, map.getSize().y - 60);
    popup.options.maxWidth = Math.min(300, map.getSize().x - 40);
    popup.setLatLng(placeOf(i)).setContent(card(i, how.others)).openOn(map);
    byId("chart").classList.add("has-card");
    if (how.focus) {
      var box = popup.getElement().querySelector(".card");
      box.focus({ preventScroll: true });
    }
    showCurrent();
    redraw();
  }
  function choosePlan(j, how) {
    plan.choose(j);
    var role = byId("plan-" + data.plan.features[j].role), spot = plan.labelOf(j);
    if (role) role.checked = true;
    var where = how.at || L.latLng(data.origin[1] + spot[1] * data.quantum, data.origin[0] + spot[0] * data.quantum);
    if (how.go) map.setView(where, map.getZoom(), { animate: false });
    popup.options.maxHeight = Math.max(150, map.getSize().y - 60);
    popup.options.maxWidth = Math.min(300, map.getSize().x - 40);
    popup.setLatLng(where).setContent(plan.card(j, how.others, {
      next: function (other) { choosePlan(other, { at: where, others: how.others, focus: true }); }, close: leave
    })).openOn(map);
    byId("chart").classList.add("has-card");
    if (how.focus) popup.getElement().querySelector(".card").focus({ preventScroll: true });
    redraw();
  }
  function leave() {
    map.closePopup(popup);
    var back = cameFrom && document.contains(cameFrom) ? cameFrom : sheet;
    cameFrom = null;
    back.focus({ preventScroll: true });
  }
  map.on("popupclose", function () {
    selected = -1;
    plan.choose(-1);
    byId("chart").classList.remove("has-card");
    showCurrent(); redraw();
  });
  document.addEventListener("keydown", function (event) {
    if (event.key === "Escape" && map.hasLayer(popup)) { event.preventDefault(); leave(); }
  });

  /* ---- pointing ----------------------------------------------------------------------- */
  function under(point, reach) {
    if (!shown.marks) return [];
    return drawn.map(function (d) { return [Math.hypot(d[1] - point.x, d[2] - point.y), d[0]]; })
      .filter(function (d) { return d[0] <= reach; })
      .sort(function (p, r) { return p[0] - r[0] || p[1] - r[1]; })
      .map(function (d) { return d[1]; });
  }
  var coarse = window.matchMedia && window.matchMedia("(pointer: coarse)").matches;
  map.on("click", function (event) {
    drawWhatWaits();
    var hits = under(event.containerPoint, coarse ? 24 : 15);
    if (hits.length) { cameFrom = sheet; choose(hits[0], { others: hits }); return; }
    hits = planUnder(event.containerPoint);
    if (hits.length) { cameFrom = sheet; choosePlan(hits[0], { at: event.latlng, others: hits }); }
  });
  function planUnder(point) { return shown.plan && view ? plan.under(view, point.x, point.y, coarse ? 24 : 13) : []; }
  map.on("mousemove", function (event) {
    sheet.classList.toggle("over-mark", under(event.containerPoint, 13).length + planUnder(event.containerPoint).length > 0);
    byId("readout").textContent = latLngText(event.latlng);
  });
  function readMiddle() { byId("readout").textContent = "middle " + latLngText(map.getCenter()); }
  map.on("mouseout", readMiddle);
  map.on("moveend", readMiddle);
  sheet.addEventListener("keydown", function (event) {
    if (event.key !== "Enter" || event.target !== sheet) return;
    var middle = map.getSize().divideBy(2), hits = under(middle, Infinity);
    if (hits.length) { cameFrom = sheet; choose(hits[0], { focus: true }); return; }
    hits = planUnder(middle);
    if (hits.length) { cameFrom = sheet; choosePlan(hits[0], { at: map.getCenter(), others: hits, focus: true }); }
  });

  /* ---- finding ------------------------------------------------------------------------ */
  function folded(text) { return text.normalize("NFD").replace(/[\u0300-\u036f]/g, "").toLowerCase(); }
  var keys = M.name.map(function (name, i) { return folded((nameless(i) ? "unnamed" : name) + " " + kindWord(M.kind[i])); });
  var collator = new Intl.Collator("en", { numeric: true, sensitivity: "base" });
  var order = M.name.map(function (name, i) { return i; });
  order.sort(function (i, j) { return nameless(i) - nameless(j) || collator.compare(nameOf(i), nameOf(j)) || i - j; });
  var matches = order, listed = 0, PAGE = 40, list = byId("list"), field = byId("find");
  function search() {
    var words = folded(field.value).split(/\s+/).filter(Boolean);
    matches = !words.length ? order : order.filter(function (i) {
      return words.every(function (word) { return keys[i].indexOf(word) >= 0; });
    });
    if (words.length) {
      var whole = words.join(" ");
      matches = matches.map(function (i, place) { return [keys[i].indexOf(whole) === 0 && !nameless(i) ? 0 : 1, place, i]; })
        .sort(function (p, r) { return p[0] - r[0] || p[1] - r[1]; }).map(function (p) { return p[2]; });
    }
    list.textContent = ""; listed = 0; list.scrollTop = 0;
    byId("found").textContent = !n ? "There are no marks." : words.length ? (matches.length ? plural(matches.length, "mark fits", "marks fit") : "No mark has this in its name.") : "All " + plural(n, "mark", "marks") + ", by name" + (nameless(order[n - 1]) && !nameless(order[0]) ? "; unnamed ones last" : "");
    if (n === 1 && !words.length) byId("found").textContent = "1 mark";
    showMore();
  }
  function showMore() {
    matches.slice(listed, listed + PAGE).forEach(function (i) {
      var item = make("li"), button = make("button", { type: "button", "data-mark": i });
      button.appendChild(make("span", { "class": "code" }, kinds[M.kind[i]].code));
      var name = userText("span", nameOf(i));
      name.className = "name";
      var visited = visitText(i, false);
      if (visited) name.appendChild(make("span", { "class": "visited", dir: "ltr" }, "visited " + visited));
      button.appendChild(name);
      button.appendChild(make("span", { "class": "error" }, M.r95[i] === null ? "" : length(M.r95[i] / 10, 0)));
      button.setAttribute("aria-label", nameOf(i) + ", " + kindWord(M.kind[i]) + (M.hazard[i] ? ", hazard" : "") + ", " + errorText(M.r95[i]) + (visited ? ", visited " + visited : ""));
      item.appendChild(button);
      list.appendChild(item);
    });
    listed = Math.min(matches.length, listed + PAGE);
    byId("more").hidden = listed >= matches.length;
    byId("more").textContent = "Show more (" + (matches.length - listed).toLocaleString("en") + " left)";
    showCurrent();
  }
  function showCurrent() {
    list.querySelectorAll("button").forEach(function (button) {
      if (Number(button.dataset.mark) === selected) button.setAttribute("aria-current", "true");
      else button.removeAttribute("aria-current");
    });
  }
  byId("more").addEventListener("click", function () {
    var first = listed;
    showMore();
    if (list.children[first]) list.children[first].firstChild.focus();
  });
  field.addEventListener("input", search);
  field.addEventListener("keydown", function (event) {
    if (event.key === "Enter" && matches.length) { event.preventDefault(); pick(matches[0], field); }
    else if (event.key === "ArrowDown" && list.firstChild) { event.preventDefault(); list.firstChild.firstChild.focus(); }
  });
  list.addEventListener("keydown", function (event) {
    var item = event.target.closest("li");
    if (!item || (event.key !== "ArrowDown" && event.key !== "ArrowUp")) return;
    event.preventDefault();
    var next = event.key === "ArrowDown" ? item.nextSibling : item.previousSibling;
    if (next) next.firstChild.focus();
    else if (event.key === "ArrowUp") field.focus();
  });
  list.addEventListener("click", function (event) {
    var button = event.target.closest("button");
    if (button) pick(Number(button.dataset.mark), button);
  });
  function pick(i, from) {
    cameFrom = from;
    if (hiddenKind[M.kind[i]]) {
      hiddenKind[M.kind[i]] = false;
      byId("kind-" + M.kind[i]).checked = true;
    }
    choose(i, { go: true, focus: true });
  }

  /* ---- kept apart --------------------------------------------------------------------- */
  byId("apart").hidden = !data.near.length;
  data.near.slice(0, 200).forEach(function (pair, j) {
    var item = make("li"), button = make("button", { type: "button" });
    button.appendChild(userText("span", pair.why));
    button.addEventListener("click", function () {
      var x = data.origin[0] + (pair.x[0] + pair.x[1]) / 2 * data.quantum, y = data.origin[1] + (pair.y[0] + pair.y[1]) / 2 * data.quantum;
      map.setView([y, x], plane ? 2 : 19, { animate: false });
    });
    item.appendChild(button);
    byId("apart-list").appendChild(item);
  });
  if (data.near.length > 200) byId("apart-list").appendChild(make("li", {}, "and " + (data.near.length - 200) + " more on the map"));

  /* ---- layers and legend ---------------------------------------------------------------- */
  var hasRays = S.bx.some(function (v) { return v !== null; });
  [["marks", "Marks", n], ["names", "Names", n], ["errors", "Error ellipses (95 %, to scale)", n], ["looks", "Sightings, tied to their mark", S.x.length],
    ["rays", "Boat's place and ray to the target", hasRays], ["tracks", "Tracks (simplified within 1 m for drawing)", tracks.length],
    ["shapes", "Lines and areas drawn on pictures", shapes.length], ["plan", "Plan", plan.count], ["apart", "Kept apart", near.length], ["sonar", "Sonar pictures", sonar.length], ["ground", "Background", ground], ["grid", plane ? "Grid in metres" : "Latitude and longitude", true]
  ].forEach(function (layer) {
    shown[layer[0]] = true;
    if (layer[2]) addBox(byId("layers"), "layer-" + layer[0], layer[1], function (on) { shown[layer[0]] = on; });
  });
  var ofGround = data.background && [
    data.background.within ? "drawn within " + length(data.background.within, 1) + " of its file" : "",
    data.background.cut ? "parts far from the marks are left out" : "",
    data.background.leftOut ? plural(data.background.leftOut, "small outline is", "small outlines are") + " left out" : ""
  ].filter(Boolean).join("; ");
  if (ofGround) byId("layers").appendChild(make("p", { "class": "small", id: "ground-note" }, "Background: " + ofGround + "."));
  if (sonar.length) byId("layers").appendChild(make("p", { "class": "small", id: "sonar-note", dir: "auto" }, sonarText()));
  function megabytes(bytes) { return (bytes / 1e6).toFixed(1) + " MB"; }
  function sonarText() {
    var titles = data.pictures.map(function (p) { return p.title; }).filter(Boolean), some = titles.slice(0, 6);
    var bytes = data.pictures.reduce(function (sum, p) { return sum + p.bytes; }, 0);
    var text = plural(sonar.length, "sonar picture", "sonar pictures") + (some.length ? ": " + some.join("; ") : "") +
      (titles.length > 6 ? "; and " + (titles.length - 6) + " more" : "") + ".";
    if (plane) return text + " Near a pole only their outlines are drawn.";
    return text + " They take " + megabytes(bytes) + " of this page." + (data.pageBytes ?
      " The page is large, " + megabytes(data.pageBytes) + ": it may open slowly or be too large to send. Make it with fewer or coarser pictures." : "");
  }
  function addBox(into, id, words, change) {
    var label = make("label"), box = make("input", { type: "checkbox", id: id });
    box.checked = true;
    box.addEventListener("change", function () { change(box.checked); redraw(); });
    label.appendChild(box);
    label.appendChild(userText("span", words));
    into.appendChild(label);
    return label;
  }
  var pictures = [];
  function picture(label, before, paint) {
    var small = make("canvas", { "aria-hidden": "true" });
    label.insertBefore(small, before);
    pictures.push([small, paint]);
  }
  function paintPictures() {
    var dpr = window.devicePixelRatio || 1;
    pictures.forEach(function (p) {
      p[0].width = 52 * dpr; p[0].height = 30 * dpr;
      var pen = p[0].getContext("2d");
      pen.scale(dpr, dpr); pen.translate(26, 15);
      p[1](pen);
    });
  }
  kinds.forEach(function (symbol, k) {
    var count = M.kind.filter(function (v) { return v === k; }).length;
    var label = addBox(byId("legend"), "kind-" + k, kindWord(k), function (on) { hiddenKind[k] = !on; });
    picture(label, label.lastChild, function (pen) { paintShape(pen, k, 0, false); });
    label.appendChild(make("span", { "class": "many" }, count.toLocaleString("en")));
  });
  function sign(words, paint) {
    var line = make("div");
    line.appendChild(make("span", {}, words));
    picture(line, line.firstChild, paint);
    byId("signs").appendChild(line);
  }
  if (M.hazard.some(Boolean)) sign("Dotted ring: a hazard", function (pen) {
    pen.setLineDash([1.5, 2.5]); pen.lineWidth = 1.6; pen.strokeStyle = ink.ink;
    pen.beginPath(); pen.arc(0, 0, 12, 0, 7); pen.stroke();
  });
  if (n) sign("Selected, with its R95 circle and its sightings", function (pen) {
    pen.strokeStyle = ink.accent; pen.lineWidth = 2.5; pen.beginPath(); pen.arc(0, 0, 9, 0, 7); pen.stroke();
    pen.setLineDash([2, 3]); pen.lineWidth = 1.3; pen.beginPath(); pen.arc(0, 0, 13.5, 0, 7); pen.stroke();
  });
  if (S.x.length) sign("A sighting and the line to its mark", function (pen) {
    pen.strokeStyle = ink.ink; pen.lineWidth = 0.7; pen.beginPath(); pen.moveTo(-14, 5); pen.lineTo(14, -5); pen.stroke();
    pen.beginPath(); pen.arc(-14, 5, 2.6, 0, 7); pen.fillStyle = ink.sheet; pen.fill(); pen.lineWidth = 1; pen.stroke();
  });
  if (hasRays) sign("The boat's antenna and the ray to the target", function (pen) {
    pen.strokeStyle = ink.faint; pen.setLineDash([6, 3]); pen.beginPath(); pen.moveTo(-14, 4); pen.lineTo(18, -6); pen.stroke();
    pen.setLineDash([]); pen.strokeStyle = ink.ink; pen.fillStyle = ink.sheet;
    pen.beginPath(); pen.moveTo(-14, -1); pen.lineTo(-10, 8); pen.lineTo(-18, 8); pen.closePath(); pen.fill(); pen.stroke();
  });
  if (shapes.length) sign("Drawn on a picture, line or area", function (pen) {
    pen.strokeStyle = ink.ink; pen.lineWidth = 2; pen.beginPath(); pen.moveTo(-18, 5); pen.lineTo(-4, -4); pen.lineTo(8, 2); pen.lineTo(18, -5); pen.stroke();
  });
  if (near.length) sign("Close, but kept apart", function (pen) {
    pen.strokeStyle = ink.ink; pen.lineWidth = 1.2; pen.setLineDash([3, 3]);
    pen.beginPath(); pen.moveTo(-20, 0); pen.lineTo(20, 0); pen.stroke(); pen.setLineDash([]);
    pen.beginPath(); pen.moveTo(0, -6); pen.lineTo(0, 6); pen.stroke();
  });

  /* ---- the plan ------------------------------------------------------------------------ */
  byId("plan").hidden = !plan.count;
  plan.roles.forEach(function (role, r) {
    var all = data.plan.features.filter(function (f) { return f.role === r; }).length;
    var label = addBox(byId("plan-roles"), "plan-" + r, role.words, function (on) { plan.hide(r, on); });
    picture(label, label.lastChild, function (pen) { plan.paintSign(pen, r); });
    label.appendChild(make("span", { "class": "many" }, all.toLocaleString("en")));
  });
  if (data.plan.within) byId("plan-note").textContent = "Drawn within " + length(data.plan.within, 1) + " of what was planned.";
  else byId("plan-note").hidden = true;
  var LISTED = 60, named = data.plan.features.map(function (f, j) { return j; }).filter(function (j) { return data.plan.features[j].name; });
  named.slice(0, LISTED).forEach(function (j) {
    var item = make("li"), button = make("button", { type: "button", "data-plan": j });
    var name = userText("span", plan.called(j));
    name.className = "name";
    name.appendChild(make("span", { "class": "visited", dir: "ltr" }, plan.words(j)));
    button.appendChild(name);
    button.addEventListener("click", function () { cameFrom = button; choosePlan(j, { go: true, focus: true }); });
    item.appendChild(button);
    byId("plan-list").appendChild(item);
  });
  if (named.length > LISTED) byId("plan-list").appendChild(make("li", {}, "and " + (named.length - LISTED) + " more on the map"));

  /* ---- scheme, views, warnings ------------------------------------------------------------ */
  var night = byId("night");
  function setScheme(name) {
    scheme = name;
    root.dataset.scheme = name;
    night.setAttribute("aria-pressed", name === "night" ? "true" : "false");
    readInk(); stamps = {}; paintPictures(); redraw();
  }
  night.addEventListener("click", function () { setScheme(scheme === "night" ? "day" : "night"); });
  byId("nearer").addEventListener("click", function () { map.zoomIn(1, { animate: false }); });
  byId("farther").addEventListener("click", function () { map.zoomOut(1, { animate: false }); });
  byId("whole").addEventListener("click", function () { whole(); });
  function whole() {
    var bounds = L.latLngBounds([]);
    function growSteps(steps) {
      var x = 0, y = 0;
      for (var i = 0; i < steps.length; i += 2) {
        x += steps[i]; y += steps[i + 1];
        bounds.extend([data.origin[1] + y * data.quantum, data.origin[0] + x * data.quantum]);
      }
    }
    function grow(from) {
      for (var i = 0; i < from.x.length; i++)
        bounds.extend([data.origin[1] + from.y[i] * data.quantum, data.origin[0] + from.x[i] * data.quantum]);
    }
    grow(M);
    if (!n) grow(S);
    if (data.plan.features.length) plan.steps(growSteps);
    if (!bounds.isValid()) data.pictures.forEach(function (p) {
      p.outline.forEach(growSteps);
      if (!plane) bounds.extend([p.box[1], p.box[0]]).extend([p.box[3], p.box[2]]);
    });
    if (!bounds.isValid()) data.tracks.forEach(function (t) { growSteps(t.d); });
    if (!bounds.isValid()) { map.setView([0, 0], plane ? -12 : 2, { animate: false }); return; }
    map.fitBounds(bounds, { padding: [44, 44], maxZoom: plane ? 0.5 : 17, animate: false });
  }
  var words = [];
  if (plane) words.push("These marks lie near a pole, where the usual sheet cannot be drawn. This one is a plane about their middle: distances from the middle are true, and up is north there only.");
  if (data.tiles) words.push("This page fetches its background from " + data.tiles.host + ". That server, and anyone who watches the line, learns which area is looked at. Make the map without tiles to keep it to yourself." + (data.tiles.by ? " Background: " + data.tiles.by + "." : ""));
  if (words.length) { byId("warning").hidden = false; byId("warning").textContent = words.join(" "); }
  if (data.tiles) {
    byId("private").textContent = "Marks are private; this page asks " + data.tiles.host + " for the background.";
    L.tileLayer(data.tiles.url, { maxZoom: 22, maxNativeZoom: 18, referrerPolicy: "no-referrer" }).addTo(map);
  }
  if (!n && !plan.count) sheet.parentNode.appendChild(make("p", { id: "empty" }, "There are no marks to show."));

  /* Metres above, feet below, at every scale. */
  var Scale = L.Control.Scale.extend({
    _updateImperial: function (metres) {
      var feet = this._getRoundNum(metres / 0.3048);
      this._updateScale(this._iScale, feet.toLocaleString("en") + " ft", feet * 0.3048 / metres);
    },
    _updateMetric: function (metres) {
      var whole = this._getRoundNum(metres);
      this._updateScale(this._mScale, whole.toLocaleString("en") + " m", whole / metres);
    }
  });
  new Scale({ maxWidth: 140, position: "bottomleft" }).addTo(map);

  map.on("move zoom resize viewreset", redraw);
  window.addEventListener("resize", redraw);
  if (window.ResizeObserver) new ResizeObserver(function () {
    var was = map.getSize();
    map.invalidateSize({ animate: false });
    if (!map.getSize().equals(was)) redraw();
  }).observe(sheet);
  map.invalidateSize({ animate: false });
  whole();
  setScheme(scheme);
  search();
  readMiddle();
  drawWhatWaits();
  root.dataset.ready = "true";
}
