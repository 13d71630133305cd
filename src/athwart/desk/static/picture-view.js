/* The picture on its canvas: nearer and farther, moving about, contrast, and pointing with mouse,
   touch or keys. It knows pixels and nothing of what they mean: `paint(c, at, scale)` draws over the
   picture, `onPoint(xy)`, `onDrag(from, to, end)` and `grab(xy, reach)` say what was done to it.
   Pixels are continuous: the picture's left and top edges are 0. */

import { el, freshId } from "/static/common.js";

const LEAST = 0.05, MOST = 32, CLICK_PX = 5;

export function pictureView(element, options) {
  const canvas = el("canvas", {
    tabindex: "0", role: "application",
    "aria-label": `${options.label}; arrow keys move the cross, with shift by ten pixels, Enter points, plus and minus come nearer or go farther`,
  });
  const told = el("p", { class: "faint figures", role: "status", id: freshId("cross") });
  const contrast = el("input", { type: "range", min: "0.4", max: "3", step: "0.1", value: "1", id: freshId("contrast"), on: { input: draw } });
  const buttons = el("div", { class: "buttons" },
    ...[["nearer", () => zoom(1.5)], ["farther", () => zoom(1 / 1.5)], ["whole picture", fit]].map(([words, f]) =>
      el("button", { type: "button", on: { click: f } }, words)),
    el("label", { class: "tick", for: contrast.id }, "contrast ", contrast));
  element.append(el("div", { class: "picture" }, canvas), told, buttons);
  const c = canvas.getContext("2d");
  let image = null, size = [1, 1], scale = 1, left = 0, top = 0, cross = null, down = null, pinch = null, drag = null, waiting = 0, free = false;

  function fit() { free = false; draw(); }
  /* Until the user comes nearer or moves it, the whole picture stays in sight. */
  function place(W, H) {
    scale = Math.min(W / size[0], H / size[1]) || 1;
    left = (W - size[0] * scale) / 2; top = (H - size[1] * scale) / 2;
  }
  function zoom(times, at = [canvas.clientWidth / 2, canvas.clientHeight / 2]) {
    free = true;
    const next = Math.max(LEAST, Math.min(MOST, scale * times)), k = next / scale;
    left = at[0] - (at[0] - left) * k; top = at[1] - (at[1] - top) * k; scale = next;
    draw();
  }
  const pixel = ([u, v]) => [(u - left) / scale, (v - top) / scale];
  const at = ([x, y]) => [x * scale + left, y * scale + top];
  const spot = (event) => { const r = canvas.getBoundingClientRect(); return [event.clientX - r.left, event.clientY - r.top]; };

  function draw() { if (!waiting) waiting = requestAnimationFrame(paint); }
  function paint() {
    waiting = 0;
    const { clientWidth: W, clientHeight: H } = canvas, ratio = window.devicePixelRatio || 1;
    if (!W || !H) return;
    if (!free) place(W, H);
    if (canvas.width !== Math.round(W * ratio) || canvas.height !== Math.round(H * ratio)) {
      canvas.width = Math.round(W * ratio); canvas.height = Math.round(H * ratio);
    }
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    c.clearRect(0, 0, W, H);
    if (image) {
      c.imageSmoothingEnabled = scale < 2;
      c.filter = `grayscale(1) contrast(${contrast.value})`;
      c.drawImage(image, left, top, size[0] * scale, size[1] * scale);
      c.filter = "none";
    }
    options.paint(c, at, scale);
    if (cross) {
      const [u, v] = at(cross);
      c.lineWidth = 1.5;
      for (const [colour, wide] of [["#ffffff", 3.5], ["#000000", 1.5]]) {
        c.strokeStyle = colour; c.lineWidth = wide;
        c.beginPath(); c.moveTo(u - 14, v); c.lineTo(u + 14, v); c.moveTo(u, v - 14); c.lineTo(u, v + 14); c.stroke();
      }
    }
  }
  function say(xy) { told.textContent = options.words ? options.words(xy) : `x ${xy[0].toFixed(1)}, y ${xy[1].toFixed(1)}`; }

  canvas.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && document.activeElement !== canvas) return; // the page scrolls until it is taken in hand
    event.preventDefault();
    zoom(event.deltaY < 0 ? 1.2 : 1 / 1.2, spot(event));
  }, { passive: false });
  const fingers = new Map();
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    const p = spot(event);
    fingers.set(event.pointerId, p);
    if (fingers.size === 2) {
      const [a, b] = [...fingers.values()];
      pinch = Math.hypot(a[0] - b[0], a[1] - b[1]); down = drag = null;
      return;
    }
    down = { p, left, top, moved: false };
    drag = options.grab?.(pixel(p), 14 / scale) ?? null;
  });
  canvas.addEventListener("pointermove", (event) => {
    const p = spot(event);
    if (fingers.has(event.pointerId)) fingers.set(event.pointerId, p);
    if (fingers.size === 2 && pinch) {
      const [a, b] = [...fingers.values()], now = Math.hypot(a[0] - b[0], a[1] - b[1]);
      zoom(now / pinch, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]); pinch = now;
      return;
    }
    say(pixel(p));
    if (!down) return;
    if (Math.hypot(p[0] - down.p[0], p[1] - down.p[1]) > CLICK_PX) down.moved = true;
    if (!down.moved) return;
    if (drag) options.onDrag(drag, pixel(down.p), pixel(p), false);
    else { free = true; left = down.left + p[0] - down.p[0]; top = down.top + p[1] - down.p[1]; }
    draw();
  });
  function up(event) {
    fingers.delete(event.pointerId);
    if (fingers.size < 2) pinch = null;
    if (!down) return;
    const p = spot(event), was = down, held = drag;
    down = drag = null;
    if (was.moved) { if (held) options.onDrag(held, pixel(was.p), pixel(p), true); }
    else if (event.type === "pointerup") { cross = pixel(p); options.onPoint(cross); }
    draw();
  }
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
  canvas.addEventListener("keydown", (event) => {
    const step = event.shiftKey ? 10 : 1;
    const way = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (way) {
      const [x, y] = cross || [size[0] / 2, size[1] / 2];
      cross = [Math.max(0, Math.min(size[0], x + way[0])), Math.max(0, Math.min(size[1], y + way[1]))];
      say(cross);
    } else if (event.key === "Enter" && cross) options.onPoint(cross);
    else if (event.key === "+" || event.key === "=") zoom(1.3, cross ? at(cross) : undefined);
    else if (event.key === "-") zoom(1 / 1.3, cross ? at(cross) : undefined);
    else if (event.key === "Escape") options.onEscape?.();
    else return;
    event.preventDefault();
    draw();
  });
  new ResizeObserver(draw).observe(canvas);
  document.addEventListener("scheme", draw);
  return {
    draw, canvas,
    /** Show another picture, in the size that its pixels are counted in. */
    show(source, width, height) {
      return new Promise((resolve, reject) => {
        const next = new Image();
        next.onload = () => { const first = !image || size[0] !== width || size[1] !== height; image = next; size = [width, height]; if (first) fit(); draw(); resolve(); };
        next.onerror = () => reject(new Error("the picture could not be shown"));
        next.src = source;
      });
    },
  };
}
