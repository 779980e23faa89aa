// The word of the moment: which, whose turn it is, and the one line under it. Decides only; `paintMoment` shows it.
import { $, attr, show, text } from "./dom.js";
import { drawGlyph } from "./glyphs.js";
import { atRest, holds, mayControl, now, simulated, unit, working } from "./state.js";
import { T, fill } from "./texts.en.js";
import { force } from "./units.js";
import { alive } from "./wire.js";

const YOURS = ["arm", "draw", "straighten", "clamp", "let down", "question", "stopped", "stop", "loaded", "check", "tie off", "break"];

const PULLS_N = 5; // more than a zero may be off: there is a string on the head
const END_LOW = 8; // flag of the board: the carriage is at its end on the slack side

export const pedal = () => (simulated() ? T.pedal.simulated : T.pedal.real);

// What a job that waits for its stringer asks, while the head is at rest.
function jobWord(job) {
  if (job === null || job.phase === "free" || !atRest()) return null;
  if (job.phase === "finished") return ["done", T.say.done];
  if (job.phase === "given up") return ["done", T.say.given];
  if (job.question && job.question.waits) return ["question", job.question.text];
  if (job.list) return ["check", job.list.text];
  if (job.paused) return ["break", fill(T.say.paused, { pedal: pedal() })];
  if (job.knot) return ["tie off", job.knot];
  return null;
}

function headSays(s, job) {
  const head = job && job.on_head;
  const label = s.label && s.label !== "one pull" ? s.label : T.oneString;
  const values = {
    pedal: pedal(),
    label,
    force: s.reference_n === null ? "" : force(s.reference_n, unit()),
    frees: head ? head.frees : "",
    clamps: head ? head.clamps : "",
    at: head ? head.pulled_at : "",
    hole: head ? head.hole : "",
  };
  let line = T.say[s.state] ?? "";
  if (s.state === "frozen" && now.stop !== null) line = now.stop.says[unit()] || line;
  const atEnd = (s.flags & END_LOW) !== 0 && s.force_n !== null && s.force_n >= PULLS_N;
  if (atEnd && ["easing_off", "frozen", "slack"].includes(s.state)) line = T.say.atEnd;
  else if (s.state === "unarmed") line = holds() ? T.say.armWeb : T.say.arm;
  else if (s.state === "slack") {
    line = s.reference_n === null ? T.say.drawNothing : T.say.draw;
    if (s.reference_n !== null && head && head.hole) line += ` ${T.say.tailAt}`;
  } else if (s.question) line = T.say[s.question] ?? "";
  else if (s.state === "holding") {
    if (s.word === "let down") line = values.frees ? T.say.back : T.say.backPlain;
    else if (s.word === "clamp") line = values.clamps ? T.say.clamp : T.say.clampPlain;
    else if (s.word === "straighten") line = values.frees ? T.say.straightenOpen : T.say.straighten;
    else line = values.frees ? T.say.holdOpen : T.say.hold;
  }
  return fill(line, values);
}

function takeFirst(s) {
  const first = fill(T.say.takeFirst, { pedal: pedal() });
  return s.state === "frozen" ? `${headSays(s, now.job)} ${first}` : first;
}

export function decide() {
  if (!alive()) return { word: "no link", say: T.say.noLink, yours: false };
  const s = now.status;
  if (working() && now.away !== null) return { word: now.away.word, say: now.away.says[unit()], yours: true };
  if (!working() || s === null) return { word: "wait", say: now.place.trouble || T.say.noBoard, yours: false };
  const asked = jobWord(now.job);
  if (asked !== null && s.state !== "booted_loaded") {
    return { word: asked[0], say: asked[1], yours: YOURS.includes(asked[0]), job: true };
  }
  if (simulated() && mayControl() && !holds() && YOURS.includes(s.word)) {
    return { word: s.word, say: takeFirst(s), yours: false };
  }
  const word = s.state === "slack" && s.reference_n === null ? "wait" : s.word;
  return { word, say: headSays(s, now.job), yours: YOURS.includes(word) };
}

export function paintMoment(moment) {
  const field = $("moment");
  attr(field, "data-turn", moment.yours ? "yours" : "heads");
  attr(field, "data-word", moment.word);
  attr(field, "data-length", moment.word.length > 8 ? "long" : moment.word.length > 5 ? "middle" : "short");
  text($("word"), T.words[moment.word] ?? moment.word);
  text($("say"), moment.say);
  attr($("say"), "data-long", moment.say.length > 110);
  drawGlyph($("glyph"), moment.word);
}

export function paintDigits(isFresh) {
  const s = now.status;
  show($("digits"), working() && s !== null);
  if (s === null) return;
  const [figures, of] = isFresh ? force(s.force_n, unit()).split(" ") : ["– – –", unit()];
  text($("force"), figures);
  text($("force-unit"), of);
  const loaded = s.reference_n !== null;
  text($("reference"), loaded ? `${T.reference} ${force(s.reference_n, unit())}` : "");
  const near = isFresh && loaded && s.force_n > 0.5 * s.reference_n;
  const off = near ? 100 * (s.force_n / s.reference_n - 1) : 0;
  const sign = Math.abs(off) < 0.05 ? "" : off > 0 ? "+" : "−";
  text($("deviation"), near ? `${sign}${Math.abs(off).toFixed(1)} %` : "");
  text($("why"), isFresh ? "" : `${T.noForce}${s.why && now.away === null ? `: ${s.why}` : ""}`);
}
