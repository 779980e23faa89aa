// The string bed: every string with its mark, the one on the head, and the cross to weave with its over and under.
import { $, attr, show, svg, text } from "./dom.js";
import { now } from "./state.js";
import { T, fill } from "./texts.en.js";

const GAP = 4.5; // half of what a string leaves free where another lies on top, mm
const MARGIN = 34;
let built = null;
const lines = new Map();

function outline(points) {
  const right = points.map(([x, y]) => `${x},${y}`);
  const left = [...points].reverse().map(([x, y]) => `${-x},${y}`);
  return `M${[...right, ...left].join(" L")} Z`;
}

// One string as pieces between the crossings at which it lies below.
function pieces(from, to, below, draw) {
  let start = from;
  let d = "";
  for (const at of below) {
    d += draw(start, at - GAP);
    start = at + GAP;
  }
  return d + draw(start, to);
}

function paths(bed, marks, weaving) {
  const woven = new Set(
    bed.crosses.filter((c) => c.name === weaving || (marks.get(c.name) ?? "not yet") !== "not yet").map((c) => c.name),
  );
  const out = new Map();
  for (const c of bed.crosses) {
    const below = woven.has(c.name) ? bed.mains.filter((_, i) => !c.over[i]).map((m) => m.x) : [];
    out.set(c.name, pieces(c.x[0], c.x[1], below.filter((x) => x > c.x[0] && x < c.x[1]), (a, b) => `M${a} ${c.y} H${b}`));
  }
  bed.mains.forEach((m, i) => {
    const below = bed.crosses.filter((c) => woven.has(c.name) && c.over[i] && c.y > m.y[0] && c.y < m.y[1]).map((c) => c.y);
    out.set(m.name, pieces(m.y[0], m.y[1], below, (a, b) => `M${m.x} ${a} V${b}`));
  });
  return out;
}

function build(bed) {
  built = bed;
  lines.clear();
  const holder = $("bed");
  if (bed === null) {
    holder.replaceChildren();
    return;
  }
  const half = bed.width / 2 + MARGIN;
  attr(holder, "viewBox", `${-half} ${-MARGIN} ${2 * half} ${bed.length + 2 * MARGIN}`);
  const strings = svg("g", { class: "strings" });
  for (const s of [...bed.mains, ...bed.crosses]) {
    const line = svg("path", { class: "string" });
    lines.set(s.name, line);
    strings.append(line);
  }
  const label = (x, y, t, anchor) => {
    const e = svg("text", { x, y, "text-anchor": anchor, class: "side" });
    e.textContent = t;
    return e;
  };
  holder.replaceChildren(
    svg("path", { d: outline(bed.outline), class: "hoop" }),
    strings,
    svg("g", { id: "bed-signs" }),
    label(0.24 * bed.width, -MARGIN + 14, T.head, "start"),
    label(0.24 * bed.width, bed.length + MARGIN - 4, T.throat, "start"),
    label(-half + 3, bed.length / 2, T.left.slice(0, 1).toUpperCase(), "start"),
    label(half - 3, bed.length / 2, T.right.slice(0, 1).toUpperCase(), "end"),
  );
}

const find = (bed, name) => [...bed.mains, ...bed.crosses].find((s) => s.name === name);

// An arrow where the tail leaves the frame, or where the cross to weave comes in.
function arrow(bed, s, side, kind) {
  const main = s.x.length === undefined;
  const out = kind === "pull";
  let d;
  if (main) {
    const end = side === "head" ? s.y[0] : s.y[1];
    const up = side === "head" ? -1 : 1;
    d = `M${s.x} ${end + up * 4} V${end + up * 20} M${s.x - 7} ${end + up * 12} L${s.x} ${end + up * 22} L${s.x + 7} ${end + up * 12}`;
  } else {
    const end = side === "left" ? s.x[0] : s.x[1];
    const way = side === "left" ? -1 : 1;
    const [a, b] = out ? [4, 22] : [22, 4];
    const barb = out ? 12 : 14;
    d = `M${end + way * a} ${s.y} H${end + way * b} M${end + way * barb} ${s.y - 7} L${end + way * b} ${s.y} L${end + way * barb} ${s.y + 7}`;
  }
  return svg("path", { d, class: `arrow ${kind}` });
}

function signs(bed, job, head, weaving) {
  const out = [];
  for (const s of job.strings || []) {
    const at = find(bed, s.name);
    if (!at) continue;
    const [x, y] = at.x.length === undefined ? [at.x, at.y[0] + 14] : [at.x[1] - 12, at.y];
    if (s.mark === "questioned") {
      const q = svg("text", { x, y: y + 6, "text-anchor": "middle", class: "sign" });
      q.textContent = "?";
      out.push(svg("circle", { cx: x, cy: y, r: 9, class: "sign-field" }), q);
    } else if (s.mark === "tied") out.push(svg("circle", { cx: x, cy: y, r: 5, class: "knot" }));
  }
  if (head) {
    const at = find(bed, head.strings[0]);
    if (at) out.push(arrow(bed, at, head.pulled_at, "pull"));
  }
  if (weaving) {
    const at = find(bed, weaving.label);
    if (at) out.push(arrow(bed, at, weaving.enters, "weave"));
  }
  return out;
}

export function paintBed() {
  const { bed, job } = now;
  show($("bed-side"), bed !== null && job !== null);
  if (bed !== built) build(bed);
  if (bed === null || job === null || !job.strings) return;
  const marks = new Map(job.strings.map((s) => [s.name, s.mark]));
  const head = job.on_head;
  const on = new Set(head ? head.strings : []);
  const weaving = job.weaving;
  const d = paths(bed, marks, weaving ? weaving.label : "");
  for (const [name, line] of lines) {
    attr(line, "d", d.get(name));
    attr(line, "data-mark", (marks.get(name) ?? "not yet").replace(" ", "-"));
    attr(line, "data-role", on.has(name) ? "head" : weaving && weaving.label === name ? "weave" : "");
  }
  const known = JSON.stringify([job.strings.map((s) => s.mark), head, weaving]);
  const holder = $("bed-signs");
  if (holder.dataset.known !== known) {
    holder.dataset.known = known;
    holder.replaceChildren(...signs(bed, job, head, weaving));
  }
  const weaveText = weaving ? fill(T.bedWeave, { label: weaving.label, side: weaving.enters, first: weaving.first }) : "";
  const summary = fill(T.bedSummary, {
    done: job.done,
    total: job.total,
    head: head ? fill(T.bedHead, { label: head.label }) : "",
    weave: weaveText,
  });
  attr($("bed"), "aria-label", `${T.bed}. ${summary}`);
  show($("weave"), Boolean(weaving));
  if (weaving) {
    text($("weave-what"), fill(T.weave, { label: weaving.label }));
    text($("weave-how"), fill(T.weaveHow, { side: weaving.enters, first: weaving.first }));
  }
}
