// The split bar. Its left half stands for the reference and never moves; the right half hangs below it while the force is less
// and stands above it when it is more. The eye sees a step between two edges finer than any needle, and from further away.
// The step grows with the logarithm of what is missing, so that half a percent and half the force are both seen.
import { $, attr, el, svg } from "./dom.js";
import { T, fill } from "./texts.en.js";

const BAND = 0.005;
const HALF = 150; // drawn height of a deviation of 100 %
const THICK = 40; // of the bar: so much that inside the band less than half of it is out of line
const LINE = Math.asinh(1 / BAND);
const TICKS = [0.2, 0.05, 0.01, -0.01, -0.05, -0.2, -1];
const NAMED = [0.05, 0.01, -0.01, -0.05, -0.2];
const TOP = 118;
const HEIGHT = TOP + HALF + 32;

export const step = (deviation) => (-HALF * Math.sign(deviation) * Math.asinh(Math.min(1, Math.abs(deviation)) / BAND)) / LINE;

export function makeShape(holder) {
  const box = svg("svg", { viewBox: `0 0 1000 ${HEIGHT}`, preserveAspectRatio: "none", class: "shape-lines" });
  const y = (d) => TOP + step(d);
  for (const d of TICKS) {
    box.append(svg("line", { x1: 944, x2: 968, y1: y(d), y2: y(d), class: "tick" }));
  }
  box.append(svg("rect", { x: 500, y: y(BAND) - THICK / 2, width: 440, height: y(-BAND) - y(BAND) + THICK, class: "lane" }));
  box.append(svg("rect", { x: 20, y: TOP - THICK / 2, width: 480, height: THICK, class: "half fixed" }));
  box.append(svg("rect", { x: 500, y: TOP - THICK / 2, width: 440, height: THICK, class: "half moving", id: "moving" }));
  box.append(svg("line", { x1: 500, x2: 500, y1: TOP - THICK / 2 - 8, y2: TOP + THICK / 2 + 8, class: "seam", id: "seam" }));
  box.append(svg("rect", { x: 10, y: TOP - THICK / 2 - 10, width: 940, height: THICK + 20, class: "whole", id: "whole" }));
  holder.replaceChildren(box);
  for (const d of NAMED) {
    const name = el("span", { class: "tick-name", "aria-hidden": "true" }, `${d > 0 ? "+" : "−"}${Math.abs(100 * d)} %`);
    name.style.top = `${(100 * y(d)) / HEIGHT}%`;
    holder.append(name);
  }
}

// `share`: force over reference, or null where there is none to show.
export function paintShape(share, coarse) {
  const holder = $("shape");
  const known = share !== null;
  const deviation = known ? share - 1 : -1;
  const inBand = known && Math.abs(deviation) <= BAND;
  attr(holder, "data-where", !known ? "unknown" : inBand ? "in" : deviation < 0 ? "under" : "over");
  const dy = step(deviation);
  attr($("moving"), "transform", `translate(0 ${(coarse ? Math.round(dy / 3) * 3 : dy).toFixed(1)})`);
  attr(holder, "aria-label", known ? `${T.shape}. ${fill(T.shapeAt, { percent: `${Math.round(100 * share)} %` })}` : T.shape);
}
