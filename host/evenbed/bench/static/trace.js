// The trace: the last 20 seconds of the force, with the band around the reference. A canvas, drawn at most 25 times a second.
import { $ } from "./dom.js";
import { now, unit } from "./state.js";
import { T } from "./texts.en.js";
import { figure } from "./units.js";

const SPAN_S = 20;
const BAND = 0.005;
const points = []; // [t, force or null]
let offset = null; // the server's clock against ours

export function addPoint(s) {
  const here = performance.now() / 1000;
  if (offset === null || Math.abs(s.t_s - here - offset) > 5) {
    offset = s.t_s - here;
    points.length = 0;
  }
  points.push([s.t_s, s.force_n, s.state]);
  while (points.length && points[0][0] < s.t_s - SPAN_S - 1) points.shift();
}

export function clearTrace() {
  points.length = 0;
}

function fit(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const width = Math.round(canvas.clientWidth * ratio);
  const height = Math.round(canvas.clientHeight * ratio);
  if (canvas.width !== width || canvas.height !== height) {
    canvas.width = width;
    canvas.height = height;
  }
  return ratio;
}

export function paintTrace() {
  const canvas = $("trace");
  const ratio = fit(canvas);
  const css = getComputedStyle(document.documentElement);
  const colour = (name) => css.getPropertyValue(name).trim();
  const g = canvas.getContext("2d");
  g.setTransform(ratio, 0, 0, ratio, 0, 0);
  const [w, h] = [canvas.clientWidth, canvas.clientHeight];
  g.clearRect(0, 0, w, h);
  const s = now.status;
  const reference = s === null ? null : s.reference_n;
  const here = performance.now() / 1000 + (offset ?? 0);
  const top = Math.max(reference ? 1.12 * reference : 50, ...points.map((p) => p[1] ?? 0));
  const left = 4;
  const bottom = h - 16;
  const x = (t) => left + ((t - here + SPAN_S) / SPAN_S) * (w - left - 8);
  const y = (f) => bottom - (Math.max(0, f) / top) * (bottom - 8);
  g.font = `12px ${colour("--face") || "sans-serif"}`;
  if (reference) {
    const [y0, y1] = [y(reference * (1 + BAND)), y(reference * (1 - BAND))];
    g.fillStyle = colour("--band");
    g.fillRect(left, y0 - 2, w - left, y1 - y0 + 4);
    g.strokeStyle = colour("--ink");
    g.lineWidth = 1;
    g.beginPath();
    g.moveTo(left, y(reference));
    g.lineTo(w, y(reference));
    g.stroke();
    g.fillStyle = colour("--ink");
    g.fillText(`${figure(reference, unit())} ${unit()}`, left + 4, y1 + 16);
    if (s.ceiling_n && s.ceiling_n <= top * 1.02) {
      g.setLineDash([8, 6]);
      g.beginPath();
      g.moveTo(left, y(s.ceiling_n));
      g.lineTo(w, y(s.ceiling_n));
      g.stroke();
      g.setLineDash([]);
    }
  }
  g.strokeStyle = colour("--soft");
  g.lineWidth = 1;
  g.beginPath();
  g.moveTo(left, bottom + 0.5);
  g.lineTo(w, bottom + 0.5);
  for (let back = 0; back <= SPAN_S; back += 5) {
    g.moveTo(x(here - back), bottom);
    g.lineTo(x(here - back), bottom + 4);
  }
  g.stroke();
  g.fillStyle = colour("--soft-ink");
  g.fillText(T.traceAgo, left, h - 3);
  g.textAlign = "right";
  g.fillText(T.traceNow, w - 8, h - 3);
  g.textAlign = "left";
  g.strokeStyle = colour("--string");
  g.lineWidth = 3;
  g.lineJoin = "round";
  g.beginPath();
  let pen = false;
  for (const [t, f] of points) {
    if (f === null) {
      pen = false;
      continue;
    }
    if (pen) g.lineTo(x(t), y(f));
    else g.moveTo(x(t), y(f));
    pen = true;
  }
  g.stroke();
}
