"use strict";
// A plot of one quantity against the run's time, as SVG. Text goes in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

function shape(parent, name, attributes, text) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  parent.append(element);
  return element;
}

/** Round steps for an axis: about `count` ticks from low to high. */
function ticks(low, high, count) {
  const rough = (high - low) / Math.max(count, 1);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((n) => n * power).find((n) => n >= rough * 0.999);
  const found = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + step * 1e-9; n += 1) found.push(n * step);
  return { step, at: found };
}

function timeTicks(end) {
  for (const step of [1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800]) {
    if (end / step <= 7) return step;
  }
  return end / 5;
}

function timeName(seconds, step) {
  if (step >= 3600) return `${+(seconds / 3600).toFixed(1)} h`;
  if (step >= 60) return seconds >= 3600 ? `${Math.floor(seconds / 3600)} h ${String(Math.round(seconds / 60) % 60).padStart(2, "0")}` : `${Math.round(seconds / 60)} min`;
  return seconds >= 60 ? `${Math.floor(seconds / 60)}:${String(Math.round(seconds) % 60).padStart(2, "0")}` : `${seconds} s`;
}

/** Marks by name, in the room above the first plot; where they stand close, only the first of them. */
function markNames(svg, events, x, top, end) {
  let free = 0;
  for (const event of events) {
    if (!event.text || x(event.time_s) < free) continue;
    const text = event.text.length > 18 ? `${event.text.slice(0, 17)}…` : event.text;
    const room = 7.5 * text.length + 8;
    const late = x(event.time_s) + room > end;
    if (late && x(event.time_s) - room < free) continue;
    shape(svg, "text", { x: x(event.time_s) + (late ? -4 : 4), y: top + 9, "text-anchor": late ? "end" : "start", class: "mark" }, text);
    free = x(event.time_s) + (late ? 0 : room);
  }
}

/**
 * Draw into `svg`. `points`: [time_s, low, mean, high], null where unknown; `gap_s`: the line breaks
 * over longer stretches. `levels`: [{value, text, kind}]. `fan`: {time_s, low, mid, high} or null.
 */
function drawPlot(svg, plot) {
  const width = Math.max(svg.clientWidth || 640, 260);
  const height = plot.tall ? Math.min(Math.max(width * 0.42, 210), 340) : 170;
  const left = 46, right = 14, top = 30, bottom = plot.lowest ? 28 : 12;
  svg.replaceChildren();
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", plot.alt);
  const known = plot.points.filter((p) => p[2] !== null);
  shape(svg, "text", { x: 10, y: 20, class: "name" }, plot.name);
  if (!known.length) {
    shape(svg, "text", { x: width / 2, y: height / 2, "text-anchor": "middle" }, "no rows yet");
    return;
  }
  let low = Infinity, high = -Infinity;
  for (const p of known) { low = Math.min(low, p[1] ?? p[2]); high = Math.max(high, p[3] ?? p[2]); }
  if (plot.zero) low = Math.min(low, 0);
  for (const level of plot.levels) {
    if (level.kind === "floor" && level.value < low - 0.6 * (high - low)) continue;
    if (level.kind === "level" && plot.far && level.value < low - 4 * (high - low + 0.05)) continue;
    low = Math.min(low, level.value); high = Math.max(high, level.value);
  }
  const room = (high - low) * 0.08 || Math.abs(high) * 0.05 || 1;
  high += room; if (low !== 0) low -= room * (plot.levels.length ? 2 : 1);
  const x = (t) => left + (t / plot.end_s) * (width - left - right);
  const y = (v) => top + (1 - (v - low) / (high - low)) * (height - top - bottom);

  const scale = ticks(low, high, plot.tall ? 6 : 4);
  const places = Math.max(0, -Math.floor(Math.log10(scale.step) + 1e-9));
  for (const value of scale.at) {
    shape(svg, "line", { x1: left, x2: width - right, y1: y(value), y2: y(value), class: "grid" });
    shape(svg, "text", { x: left - 6, y: y(value) + 4, "text-anchor": "end" }, value.toFixed(places));
  }
  if (plot.lowest) {
    const step = timeTicks(plot.end_s);
    for (let t = 0; t <= plot.end_s * 1.0001; t += step) {
      const anchor = x(t) > width - 30 ? "end" : "middle";
      shape(svg, "text", { x: x(t), y: height - 8, "text-anchor": anchor }, timeName(t, step));
    }
  }
  const clip = `clip-${plot.kind}`;
  shape(shape(svg, "clipPath", { id: clip }), "rect", { x: left, y: top - 4, width: width - left - right, height: height - top - bottom + 8 });
  const inside = shape(svg, "g", { "clip-path": `url(#${clip})` });
  if (plot.fan) {
    const f = plot.fan;
    const there = f.time_s.map((t, i) => `${x(t)},${y(f.high[i])}`);
    const back = f.time_s.map((t, i) => `${x(t)},${y(f.low[i])}`).reverse();
    shape(inside, "polygon", { points: [...there, ...back].join(" "), class: "fan" });
    shape(inside, "polyline", { points: f.time_s.map((t, i) => `${x(t)},${y(f.mid[i])}`).join(" "), class: `line dash ${plot.kind}` });
  }
  for (const level of plot.levels) {
    if (level.value < low || level.value > high) continue;
    shape(inside, "line", { x1: left, x2: width - right, y1: y(level.value), y2: y(level.value), class: level.kind });
    // The floor lies under the cutoff: each has its name on its own side.
    const under = level.kind === "floor" && y(level.value) + 16 < height - bottom;
    shape(svg, "text", { x: left + 6, y: y(level.value) + (under ? 14 : -5) }, level.text);
  }
  for (const event of plot.events) shape(inside, "line", { x1: x(event.time_s), x2: x(event.time_s), y1: top, y2: height - bottom, class: "event" });
  if (plot.tall) markNames(svg, plot.events, x, top, width - right);
  let part = [];
  const parts = [part];
  for (const p of known) {
    if (part.length && p[0] - part[part.length - 1][0] > plot.gap_s) { part = []; parts.push(part); }
    part.push(p);
  }
  for (const piece of parts) {
    if (plot.banded && piece.length > 1) {
      const there = piece.map((p) => `${x(p[0]).toFixed(1)},${y(p[3] ?? p[2]).toFixed(1)}`);
      const back = piece.map((p) => `${x(p[0]).toFixed(1)},${y(p[1] ?? p[2]).toFixed(1)}`).reverse();
      shape(inside, "polygon", { points: [...there, ...back].join(" "), class: `band ${plot.kind}` });
    }
    shape(inside, "polyline", { points: piece.map((p) => `${x(p[0]).toFixed(1)},${y(p[2]).toFixed(1)}`).join(" "), class: `line ${plot.kind}` });
  }
  if (plot.bar && plot.bar.upper_s !== null && plot.bar.lower_s !== null) {
    shape(inside, "line", { x1: x(plot.bar.lower_s), x2: x(plot.bar.upper_s), y1: y(plot.bar.level), y2: y(plot.bar.level), class: "bar" });
    shape(svg, "text", { x: width - right, y: top + 24, "text-anchor": "end", class: "mark" }, "thick bar: 9 in 10 end here");
  }
  const last = known[known.length - 1];
  shape(svg, "circle", { cx: x(last[0]), cy: y(last[2]), r: 4, class: `dot ${plot.kind}` });
  if (plot.moment_s !== null) shape(inside, "line", { x1: x(plot.moment_s), x2: x(plot.moment_s), y1: top, y2: height - bottom, class: "moment" });
}
