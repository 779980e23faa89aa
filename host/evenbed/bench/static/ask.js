// What a job asks and what may be said to it: questions, lists, knots, and the rarer things behind "More".
import { $, el, show, text } from "./dom.js";
import { atRest, holds, now, simulated, unit, working } from "./state.js";
import { T, fill } from "./texts.en.js";
import { force } from "./units.js";
import { send } from "./wire.js";

const PLAIN = ["again", "take back", "string on", "break", "finish", "broken", "give up"];
let built = "";
let sure = 0;

const act = (action, values = {}) => send({ do: "act", action, ...values });
const button = (label, onclick, cls = "") => el("button", { type: "button", class: cls, onclick }, label);
const tapToo = () => el("span", { class: "tap-too" }, fill(T.tapToo, { pedal: simulated() ? T.pedal.simulated : T.pedal.real }));

function answers(job) {
  if (job.question) {
    const own = job.question.answers.map(([key, meaning]) => button(meaning, () => act(key), key === "go on" ? "first" : ""));
    return job.question.waits ? [...own, tapToo()] : own; // one that does not wait: a tap draws the next string
  }
  if (job.list) {
    const out = [button(T.fine, () => act("go on"), "first"), button(T.actions["not fine"], () => act("not fine"))];
    if (job.list.asks) out.push(...figure(job.list.asks));
    return [...out, tapToo()];
  }
  if (job.knot) return [button(T.tied, () => act("go on"), "first"), tapToo()];
  if (job.paused) return [button(T.actions["go on"], () => act("go on"), "first"), tapToo()];
  return [];
}

function figure(asks) {
  const field = el("input", { type: "text", id: "figure", maxlength: 80, autocomplete: "off" });
  const form = el("form", { class: "line" }, el("label", { for: "figure" }, fill(T.figureLabel, { asks })), field, el("button", {}, T.ok));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (field.value.trim()) act("figure", { text: field.value.trim() });
  });
  return [form];
}

function more(job) {
  const out = [];
  for (const action of PLAIN) {
    if (!job.actions.includes(action)) continue;
    const label = T.actions[action];
    if (action !== "give up") out.push(button(label, () => act(action)));
    else {
      const b = button(label, () => {
        if (performance.now() - sure < 4000) act(action);
        else {
          sure = performance.now();
          text(b, T.sure);
        }
      });
      out.push(b);
    }
  }
  if (job.actions.includes("choose") && job.left.length > 1) out.push(job.total === 0 ? other(job) : chooser(job));
  if (job.actions.includes("tension")) out.push(tension());
  out.push(note());
  return out;
}

function form(id, label, fields, deed) {
  const f = el("form", { class: "line", "aria-label": label }, ...fields, el("button", {}, T.ok));
  f.addEventListener("submit", (event) => {
    event.preventDefault();
    deed(f);
  });
  return f;
}

function note() {
  const field = el("input", { type: "text", id: "note", maxlength: 400, autocomplete: "off" });
  return form("note", T.actions.note, [el("label", { for: "note" }, T.noteLabel), field], () => {
    if (field.value.trim()) act("note", { text: field.value.trim() });
    field.value = "";
  });
}

function chooser(job) {
  const options = job.left.map((p) => el("option", { value: p.number }, `${p.number} · ${p.label} · ${force(p.n, unit())}`));
  const field = el("select", { id: "choose" }, ...options);
  return form("choose", T.actions.choose, [el("label", { for: "choose" }, T.chooseLabel), field], () => {
    act("choose", { number: Number(field.value) });
  });
}

// Free work has no plan: mains or crosses, and at any time the other.
function other(job) {
  const kind = (p) => p.label.split(" ")[0];
  const next = job.left.find((p) => kind(p) !== kind(job.left[0])) ?? job.left[0];
  return button(kind(next) === "cross" ? T.toCrosses : T.toMains, () => act("choose", { number: next.number }));
}

function tension() {
  const which = el("select", { id: "which" }, el("option", { value: "main" }, T.tensionMains), el("option", { value: "cross" }, T.tensionCrosses));
  const field = el("input", { type: "text", id: "tension", size: 8, placeholder: `23 ${unit()}`, autocomplete: "off" });
  const fields = [el("label", { for: "which" }, T.tensionWhich), which, el("label", { for: "tension" }, T.tensionForce), field];
  return form("tension", T.actions.tension, fields, () => act("tension", { string: which.value, force: field.value }));
}

export function paintAsk() {
  const job = now.job;
  const asked = working() && job !== null && job.phase !== "free";
  const waiting = asked && holds() && now.away === null && (atRest() || job.question !== null);
  const known = JSON.stringify(asked && holds() ? [job.question, job.list, job.knot, job.paused, job.actions, job.left.length, waiting, unit()] : null);
  if (known !== built) {
    built = known;
    sure = 0;
    $("answers").replaceChildren(...(waiting ? answers(job) : []));
    $("more-actions").replaceChildren(...(asked && holds() ? more(job) : []));
  }
  show($("more"), asked && holds());
  // A question that waits for nobody stands beside the pull; one that waits is the word of the moment already.
  const beside = asked && job.question && !(atRest() && job.question.waits) ? job.question.text : "";
  text($("question"), beside);
  show($("question"), Boolean(beside));
  const listed = asked && job.list ? fill(T.listOf, { ...job.list, title: T.listTitles[job.list.title] ?? job.list.title }) : "";
  text($("list-place"), listed);
  show($("list-place"), Boolean(listed));
}

const SAID = 40;

// A line that stays: what the job or the head said.
export function sayLine(kind, words) {
  const list = $("said");
  const item = el("li", { class: kind }, words);
  list.prepend(item);
  while (list.children.length > SAID) list.lastChild.remove();
  if (kind === "quiet") return;
  text($("latest"), words);
  $("latest").dataset.kind = kind;
}

// The last line is over, if it is this one; it stays in the list.
export function unsay(words = null) {
  if (words === null || $("latest").textContent === words) text($("latest"), "");
}

export function clearLines() {
  $("said").replaceChildren();
  unsay();
}
