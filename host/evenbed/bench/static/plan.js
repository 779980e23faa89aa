// Where we are: the row of pulls, what comes then, time, string; the load of the mains left against right.
import { $, attr, el, show, text } from "./dom.js";
import { now, unit, working } from "./state.js";
import { T, fill } from "./texts.en.js";
import { force, minutes } from "./units.js";

const MOST_CELLS = 60;
const TILT = 11; // degrees at the limit of what is normal for the step

function cells(job) {
  const row = $("cells");
  const known = `${job.done}/${job.total}`;
  if (row.dataset.known === known) return;
  row.dataset.known = known;
  const out = [];
  if (job.total <= MOST_CELLS) {
    for (let i = 0; i < job.total; i += 1) {
      out.push(el("span", { class: i < job.done ? "made" : i === job.done ? "present" : "ahead" }));
    }
  }
  row.replaceChildren(...out);
}

export function paintPlan() {
  const job = now.job;
  show($("plan"), working() && job !== null);
  if (job === null) return;
  cells(job);
  text($("plan-count"), job.total > 0 ? fill(T.planOf, job) : fill(T.planFree, job));
  const labels = (job.ahead_labels || []).slice(job.on_head ? 1 : 0).map((p) => p.label);
  text($("plan-next"), job.total === 0 ? "" : labels.length ? fill(T.planNext, { labels: labels.join(", ") }) : job.left.length ? T.planLast : "");
  const clock = now.jobClock;
  const elapsed = clock.elapsed_s + (performance.now() - now.jobAt) / 1000;
  const parts = [fill(T.elapsed, { time: minutes(elapsed) })];
  if (job.total > 0 && clock.pull_s && job.left && job.left.length) parts.push(fill(T.remaining, { time: minutes(clock.pull_s * job.left.length) }));
  if (job.string_left_mm && job.string_left_mm.some((mm) => mm > 0)) {
    const lengths = job.string_left_mm.map((mm) => fill(T.stringPiece, { mm: (mm / 1000).toFixed(1) })).join(" + ");
    parts.push(fill(T.stringLeft, { lengths }));
  }
  text($("plan-time"), parts.join(" · "));
  text($("peer"), job.peer || "");
  show($("peer"), Boolean(job.peer));
  load(job);
}

function load(job) {
  const l = job.load;
  show($("load"), Boolean(l));
  if (!l) return;
  const more = l.left_n - l.right_n;
  const limit = Math.max(l.balance_limit_n, 1);
  const over = Math.abs(more) > limit * 1.001;
  const tilt = Math.max(-1.6, Math.min(1.6, more / limit)) * -TILT;
  attr($("beam"), "transform", `rotate(${tilt.toFixed(1)} 100 30)`);
  attr($("load"), "data-over", over);
  text($("load-left"), `${T.left} ${force(l.left_n, unit())}`);
  text($("load-right"), `${force(l.right_n, unit())} ${T.right}`);
  const side = more > 0 ? T.left : T.right;
  const ahead = job.ahead ? fill(T.loadAhead, { side: job.ahead > 0 ? T.left : T.right, n: Math.abs(job.ahead) }) : T.loadEven;
  text($("load-says"), over ? fill(T.loadOver, { side }) : ahead);
}
