"use strict";
// Shows what the server pushes. Whatever comes from a run goes into the page as text alone.

const at = (id) => document.getElementById(id);
const steps = new Map();
let shown = null;       // last message
let generation = -1;
let stream = null;
let heard = performance.now();
let hovered = false;
let form = document.querySelector('meta[name="form"]').content;  // what the next form must send along
const door = form;

function setText(element, text) { if (element.textContent !== text) element.textContent = text; }

function figure(element, value, digits, unit) {
  if (value === null || value === undefined) { setText(element, "–"); return; }
  const text = value.toFixed(digits);
  if (element.dataset.shown === text) return;
  element.dataset.shown = text;
  const small = document.createElement("small");
  small.textContent = ` ${unit}`;
  element.replaceChildren(text, small);
}

function list(element, items, make) {
  const key = JSON.stringify(items);
  if (element.dataset.shown === key) return;
  element.dataset.shown = key;
  element.replaceChildren(...items.map(make));
}

function item(tag, ...parts) {
  const element = document.createElement(tag);
  element.append(...parts);
  return element;
}

function photoFigure(photo) {
  const image = document.createElement("img");
  image.alt = photo.caption || `Photo ${photo.number} of the piece, without a caption`;
  image.loading = "lazy";
  image.src = `/photo?run=${encodeURIComponent(photo.run)}&number=${photo.number}&mark=${photo.mark}`;
  return item("figure", image, ...(photo.caption ? [item("figcaption", photo.caption)] : []));
}

function span(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  const h = Math.floor(whole / 3600), m = Math.floor(whole / 60) % 60, s = whole % 60;
  if (h) return `${h} h ${String(m).padStart(2, "0")} min`;
  return m ? `${m} min ${String(s).padStart(2, "0")} s` : `${s} s`;
}

function currentDigits(value) { return value === null || Math.abs(value) >= 100 ? 1 : 2; }

function takeCourse(course) {
  if (course.generation !== generation || course.begin === 0) steps.clear();
  generation = course.generation;
  for (const step of course.steps) steps.set(step[0], step);
}

function showRuns(runs, chosen) {
  at("runs").hidden = runs.length < 2;
  if (runs.length < 2) return;
  list(at("runs"), runs.map((r) => ({ ...r, chosen: r.key === chosen })), (r) => {
    const link = document.createElement("a");
    link.href = `/?run=${encodeURIComponent(r.key)}`;
    if (r.chosen) link.setAttribute("aria-current", "page");
    const volt = r.pack_v === null ? "" : `${r.pack_v.toFixed(2)} V, `;
    link.append(item("b", r.title), item("span", `${volt}${r.left || r.phase}`));
    link.addEventListener("click", (event) => { event.preventDefault(); choose(r.key); });
    return link;
  });
}

function showHead(run, clock) {
  for (const id of ["phase", "phase-mark"]) at(id).className = `tone-${run.tone}`;
  setText(at("phase"), run.phase + (run.goal && run.recording ? `, ${run.goal}` : ""));
  setText(at("clock"), `· ${clock}`);
  setText(at("title"), run.title);
  document.title = (run.pack_v === null ? "" : `${run.pack_v.toFixed(2)} V · `) + run.title;
  at("simulated").hidden = !run.simulated;
  let answer = run.left ? run.left.words : "";
  let detail = run.left ? run.left.detail : "";
  if (run.left && run.left.clock && run.recording) detail = `Ends at about ${run.left.clock} by the laptop's clock. ${detail}`;
  if (!run.recording) {
    answer = (run.results && run.results.headline) || (run.tone === "bad" ? "" : "Ended");
    detail = run.end_text;
  }
  if (run.loading) detail = `Reading the rows … ${detail}`;
  setText(at("answer"), answer);
  setText(at("detail"), detail);
  const share = run.recording && run.left ? run.left.share : null;
  at("progress").hidden = share === null || share === undefined;
  if (share !== null && share !== undefined) at("progress-bar").style.width = `${(100 * share).toFixed(1)}%`;
  figure(at("pack_v"), run.pack_v, 3, "V");
  figure(at("current_ma"), run.current_ma, currentDigits(run.current_ma), "mA");
  figure(at("charge_mah"), run.charge_mah, 1, "mAh");
  setText(at("elapsed"), run.elapsed);
  const now = run.recording;
  setText(at("name-pack"), now ? "Pack" : "Pack at the end");
  setText(at("name-current"), now ? "Current" : "Current at the end");
  setText(at("name-elapsed"), now ? "Running for" : "Lasted");
  setText(at("plots-title"), now ? "The course so far" : "The course");
}

function showRest(run) {
  at("actions").hidden = !run.can_act;
  at("why-not").hidden = !run.why_not;
  setText(at("why-not"), run.why_not);
  const told = run.asked.filter((a, n) => a.state !== "done" || n === run.asked.length - 1);
  if (told.length) setText(at("mark-said"), told.map((a) => a.words).join(" "));
  at("load-line").hidden = run.load_switch === "-";
  at("load-off").disabled = run.load_switch === "0";
  setText(at("load-off"), run.load_switch === "0" ? "The load is switched off" : "Switch the load off …");
  list(at("events"), run.events.slice().reverse(), (e) => item("li", item("b", `${e.at}, ${e.kind}: `), e.text));
  if (!run.events.length) list(at("events"), ["Nothing so far."], (text) => item("li", text));
  at("photos-part").hidden = !run.photos.length;
  list(at("photos"), run.photos.map((photo) => ({ run: run.key, ...photo })), photoFigure);
  const about = [["Pack", run.pack], ["Load", run.load], ["By", run.author], ["Notes", run.notes], ["Folder", run.folder],
    ["Rows", `${run.rows}` + (run.rows_missing ? `, ${run.rows_missing} missing (charge not affected)` : "") + (run.rows_rejected ? `, ${run.rows_rejected} damaged` : "")]];
  const flat = about.filter((pair) => pair[1]).flatMap(([name, text]) => [["dt", name], ["dd", text]]);
  list(at("about"), flat, ([tag, text]) => item(tag, text));
  list(at("cautions"), run.cautions.map((text) => `Caution: ${text}`), (text) => item("li", text));
  const results = run.results && run.results.rows ? run.results : null;
  at("results-part").hidden = !results;
  if (results) {
    setText(at("results-answer"), results.answer);
    list(at("results"), [["result", "value", results.interval], ...results.rows], (row, n) => {
      if (n) return item("tr", rowHead(row[0]), item("td", row[1]), item("td", row[2]));
      return item("tr", ...row.map((text) => { const cell = item(text ? "th" : "td", text); if (text) cell.scope = "col"; return cell; }));
    });
    list(at("warnings"), results.warnings, (text) => item("li", text));
  }
}

function rowHead(text) { const cell = item("th", text); cell.scope = "row"; return cell; }

function notice(words) {
  at("notice").hidden = !words;
  setText(at("notice"), words);
}

/** Where the time axis ends: at the last row, or where the forecast may lie. */
function axis() {
  const { run, course } = shown;
  const now_s = Math.max(run.elapsed_s - run.begin_s, course.step_s);
  let end_s = now_s;
  for (const ahead of [run.left && run.left.end_s, run.left && run.left.upper_s]) {
    if (ahead) end_s = Math.max(end_s, Math.min(ahead, now_s * 6) * 1.03);
  }
  return { now_s, end_s };
}

function plots() {
  if (!shown) return;
  const { run, course } = shown;
  const ordered = [...steps.values()].sort((a, b) => a[0] - b[0]);
  const middle = (n) => (n + 0.5) * course.step_s;
  const { now_s: now, end_s: end } = axis();
  const events = run.events.filter((e) => ["mark", "boot", "load", "fault", "gap"].includes(e.kind) && e.time_s > run.begin_s)
    .map((e) => ({ time_s: e.time_s - run.begin_s, text: e.kind === "mark" ? e.text : "" }));
  const gap_s = Math.max(2.5 * course.step_s, 3 * (run.window_s || 0)) + (run.window_s ? 0 : now / 50);
  const slider = at("moment");
  const moment_s = hovered || document.activeElement === slider ? (slider.value / 1000) * now : null;
  const levels = [];
  if (run.cutoff_v !== null) levels.push({ value: run.cutoff_v, text: `cutoff ${run.cutoff_v} V`, kind: "level" });
  if (run.floor_v !== null && Math.abs(run.floor_v - (run.cutoff_v ?? 0)) > 0.02) levels.push({ value: run.floor_v, text: `cells' floor ${run.floor_v.toFixed(2)} V`, kind: "floor" });
  const common = { end_s: end, gap_s, events, moment_s };
  const volt = ordered.map((s) => [middle(s[0]), s[1], s[2], s[3]]);
  const amp = ordered.map((s) => [middle(s[0]), s[4], s[5], s[6]]);
  const charge = ordered.map((s) => [middle(s[0]), null, s[7], null]);
  const bar = run.left && run.cutoff_v !== null ? { lower_s: run.left.lower_s, upper_s: run.left.upper_s, level: run.cutoff_v } : null;
  const wanted = [
    { kind: "pack_v", name: "pack voltage in V", points: volt, levels, banded: true, tall: true, fan: run.fan, bar, unit: "V", far: run.recording && !run.fan },
    { kind: "current_ma", name: "current in mA", points: amp, levels: [], banded: true, zero: true, unit: "mA" },
    { kind: "charge_mah", name: "charge out of the pack in mAh", points: charge, levels: [], zero: true, unit: "mAh" },
  ].filter((p) => p.points.some((q) => q[2] !== null));
  const box = at("plots");
  while (box.children.length > wanted.length) box.lastChild.remove();
  while (box.children.length < wanted.length) box.append(document.createElementNS(SVG, "svg"));
  wanted.forEach((p, n) => {
    p.lowest = n === wanted.length - 1;
    const known = p.points.filter((q) => q[2] !== null);
    p.alt = `${p.name} over ${span(now)}: begins at ${known[0][2]}, is ${known[known.length - 1][2]} now` + (p.levels.length ? `; ${p.levels.map((l) => l.text).join(", ")}.` : ".");
    drawPlot(box.children[n], { ...common, ...p });
  });
  readout(ordered, now);
  table(ordered);
}

function words(s) {
  const parts = [];
  if (s[2] !== null) parts.push(`${s[2].toFixed(3)} V`);
  if (s[5] !== null) parts.push(`${s[5].toFixed(1)} mA (${s[4].toFixed(1)} to ${s[6].toFixed(1)})`);
  if (s[7] !== null) parts.push(`${s[7].toFixed(1)} mAh`);
  return parts.join(", ");
}

function readout(ordered, now) {
  if (!ordered.length) return;
  const slider = at("moment");
  const wanted = (slider.value / 1000) * now / shown.course.step_s;
  let best = ordered[0];
  for (const s of ordered) if (Math.abs(s[0] + 0.5 - wanted) < Math.abs(best[0] + 0.5 - wanted)) best = s;
  const text = `After ${span((best[0] + 0.5) * shown.course.step_s)}: ${words(best)}`;
  setText(at("readout"), text);
  slider.setAttribute("aria-valuetext", text);
}

function table(ordered) {
  if (!at("table").closest("details").open || !ordered.length) return;
  const every = Math.max(1, Math.floor(ordered.length / 16));
  const rows = ordered.filter((_, n) => n % every === 0 || n === ordered.length - 1);
  const show = (v, n) => (v === null ? "" : v.toFixed(n));
  const cells = rows.map((s) => [span((s[0] + 0.5) * shown.course.step_s), show(s[2], 3), show(s[5], 1), show(s[7], 1)]);
  list(at("table"), [["time", "V", "mA", "mAh"], ...cells], (row) => item("tr", ...row.map((text, n) => {
    if (row[0] !== "time") return n ? item("td", text) : rowHead(text);
    const cell = item("th", text); cell.scope = "col"; return cell;
  })));
}

function take(message) {
  heard = performance.now();
  shown = message;
  form = message.form;
  takeCourse(message.course);
  at("door").hidden = true;
  at("bench").hidden = false;
  if (message.runs) showRuns(message.runs, message.run.key);
  showHead(message.run, message.clock);
  showRest(message.run);
  notice(message.run.trouble);
  devices(message);
  plots();
}

/** Codes are for a page that other devices can reach, and fetched when looked at: the act key changes with each use. */
function devices(message) {
  at("look-code").hidden = !message.shared;
  at("act-code").hidden = !(message.shared && message.may_act);
}
for (const right of ["look", "act"]) {
  const details = at(`code-${right}`).closest("details");
  details.addEventListener("toggle", () => {
    if (details.open) at(`code-${right}`).src = `/code?for=${right}&at=${Date.now()}`;
    else at(`code-${right}`).removeAttribute("src");
  });
}

function open() {
  if (stream) stream.close();
  steps.clear(); generation = -1;
  setText(at("mark-said"), "");
  const run = new URLSearchParams(location.search).get("run") || "";
  stream = new EventSource(`/stream?run=${encodeURIComponent(run)}`);
  stream.addEventListener("message", (event) => take(JSON.parse(event.data)));
  stream.addEventListener("open", () => { heard = performance.now(); });
  stream.addEventListener("error", () => { if (stream.readyState === EventSource.CLOSED) refused(run); });
}

async function refused(run) {
  let answer;
  try {
    const stop = new AbortController();
    answer = await fetch(`/stream?run=${encodeURIComponent(run)}`, { signal: stop.signal });
    if (answer.ok) { stop.abort(); open(); return; }
  } catch { setTimeout(open, 3000); return; }
  if (answer.status === 401 && shown) { location.reload(); return; }  // what was shown goes with the session
  if (answer.status === 401) { form = door; at("door").hidden = false; at("bench").hidden = true; return; }
  at("bench").hidden = false;
  notice((await answer.json()).words);
  if (answer.status === 503) setTimeout(open, 10000);
}

function choose(key) {
  history.pushState(null, "", `/?run=${encodeURIComponent(key)}`);
  open();
}

/** What the server answered; `refused`: why not, or nothing. */
async function send(path, body) {
  const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json", "X-Drawbench": form }, body: JSON.stringify(body) });
  if (answer.ok) return { refused: "", ...await answer.json() };
  try { return { refused: (await answer.json()).words }; } catch { return { refused: "The page's server did not understand." }; }
}

async function enter(key) {
  let said;
  form = door;
  try { said = (await send("/enter", { key })).refused; } catch { said = "The page's server cannot be reached."; }
  if (said) setText(at("door-words"), said);
  history.replaceState(null, "", location.pathname + location.search);
  open();
}

const UNSENT = "Not sent: no connection to the laptop.";
async function act(what, more, done) {
  let said;
  try { said = (await send("/act", { run: shown.run.key, what, ...more })).refused; } catch { said = UNSENT; }
  setText(at("mark-said"), said || (shown.run.asks ? "Asking the recording …" : done));
  return !said;
}

at("door-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const typed = at("door-key").value.trim();
  enter(typed.slice(typed.indexOf("#") + 1));
});
at("mark-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const text = at("mark-text").value.trim();
  if (await act("mark", { text }, `Noted: ${text || "mark"}`)) at("mark-text").value = "";
});
// The server asks as well: its question comes with what a yes must carry, once.
let question = null;
at("load-off").addEventListener("click", () => {
  if (at("sure").open) return;
  at("sure").showModal();
  question = send("/act", { run: shown.run.key, what: "load-off", text: "" }).catch(() => ({ refused: UNSENT }));
});
at("sure").addEventListener("close", async () => {
  const yes = at("sure").returnValue === "yes";
  at("sure").returnValue = "";
  const { refused, sure } = await question;
  if (!yes) return;
  if (refused) setText(at("mark-said"), refused);
  else act("load-off", { text: "", sure }, "Asked the board to open its switch.");
});
at("leave").addEventListener("click", async () => {
  try { await send("/leave", {}); } catch { return; }
  if (stream) stream.close();
  shown = null;
  location.reload();
});
at("moment").addEventListener("input", plots);
at("moment").addEventListener("blur", plots);
at("plots").addEventListener("pointermove", (event) => {
  if (!shown) return;
  const box = at("plots").getBoundingClientRect();
  const { now_s: now, end_s: end } = axis();
  const time = ((event.clientX - box.left - 46) / (box.width - 60)) * end;
  at("moment").value = Math.round(1000 * Math.min(Math.max(time / now, 0), 1));
  hovered = true;
  plots();
});
at("plots").addEventListener("pointerleave", () => { hovered = false; plots(); });
document.querySelector("#table").closest("details").addEventListener("toggle", plots);
window.addEventListener("resize", plots);
window.addEventListener("popstate", open);
window.addEventListener("hashchange", () => { if (location.hash.length > 1) enter(location.hash.slice(1)); });

const themes = [["", "as the device"], ["dark", "dark"], ["light", "light"]];
function theme(name) {
  const known = themes.find((t) => t[0] === name) || themes[0];
  if (known[0]) document.documentElement.dataset.theme = known[0];
  else delete document.documentElement.dataset.theme;
  setText(at("theme"), `Theme: ${known[1]}`);
}
function stored() { try { return localStorage.getItem("theme") || ""; } catch { return ""; } }
at("theme").addEventListener("click", () => {
  const next = themes[(themes.findIndex((t) => t[0] === stored()) + 1) % themes.length][0];
  try { localStorage.setItem("theme", next); } catch { /* private window: for this visit only */ }
  theme(next);
});
theme(stored());

// The phone's clock is never asked: only how long ago something was heard.
setInterval(() => {
  const silent_s = (performance.now() - heard) / 1000;
  if (silent_s > 35 && shown) notice(`No word from the laptop for ${span(silent_s)}. What stands here is old; the recording itself does not need this page.`);
}, 5000);

if (location.hash.length > 1) enter(location.hash.slice(1));
else open();
