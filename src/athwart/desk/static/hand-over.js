/* The page of handing over: choose, look, write. */
import {
  ask, attempt, button, byId, confirmed, el, folderName, freshId, lengthSystem, lengthUnit, openPage, plural,
  positionText, say, seen, tell, userText,
} from "/static/common.js";
import { above, choosing, lengthFields, limitsFile } from "/static/choosing.js";

const PIECE = 100;
let looked = "";

/* ---- the choice ------------------------------------------------------------------------------ */
/** What is asked of the server. */
function choice() {
  const out = { ...chooser.asked(), clean: document.querySelector("input[name=clean]:checked").value === "clean", limits: byId("limits").value, units: lengthSystem() };
  const blur = above("blur", "the blur");
  if (blur !== null) out.blur_m = blur;
  return out;
}
function changed() {
  let asked;
  try { asked = choice(); } catch { asked = null; }
  byId("stale").hidden = !looked || looked === JSON.stringify(asked);
}
const chooser = choosing({ changed });
async function reload() {
  byId("preview").replaceChildren();
  looked = "";
  const { marks } = await ask("/api/marks");
  byId("write").textContent = `write it into the folder ${seen(folderName())}`;
  units();
  chooser.show(marks);
}
function units() { byId("blur-label").textContent = `blur for sharing: move positions by up to, in ${lengthUnit()}`; }

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
limitsFile(byId("limits-file"), byId("limits"), changed);
lengthFields(["blur"], () => { units(); changed(); });

asChanged();
openPage("hand over", reload);
