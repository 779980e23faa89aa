// The page put together: what comes over the line is remembered, and shown once per frame at most.
import { paintAble } from "./able.js";
import { clearLines, paintAsk, sayLine, unsay } from "./ask.js";
import { listenForBegin, paintBegin } from "./begin.js";
import { listenForGuided, paintGuided } from "./guided.js";
import { paintBed } from "./bed.js";
import { $, attr, show, text } from "./dom.js";
import { decide, paintDigits, paintMoment } from "./moment.js";
import { letGo, listenForPedal, mine } from "./pedal.js";
import { paintPlan } from "./plan.js";
import { prefs } from "./prefs.js";
import { countMoment, listenForQuiet, paintQuiet } from "./quiet.js";
import { makeShape, paintShape } from "./shape.js";
import { cue, speak, wakeSound } from "./sound.js";
import { fresh, holds, mayControl, now, unit, working } from "./state.js";
import { T, fill } from "./texts.en.js";
import { addPoint, clearTrace, paintTrace } from "./trace.js";
import { listenForTrips, paintTrip, sayInTrip } from "./trip.js";
import { force } from "./units.js";
import { alive, connect, on, send } from "./wire.js";

const IDLE_MS = 250;
const CUE_OF = { question: "question", stop: "trip", "no board": "trip", ended: "trip", stopped: "question", loaded: "question", done: "done" };
const ORDERED = [11, 12]; // of the catalogue: stopped by the pedal, stopped by a button
const SELDOM_MS = 500; // what changes with the job, not with the force
let due = false;
let jobDue = true;
let jobShownAt = 0;
let lastState = "";
let lastWord = "";
let lastSpoken = "";

function soon() {
  if (due) return;
  due = true;
  requestAnimationFrame(paint);
}

function toNext(s) {
  const track = $("settle");
  const loading = fresh() && working() && s !== null && s.loss_now_n !== null;
  show(track, loading);
  if (!loading) return;
  // From eight times the rate at which it counts as steady (an empty track) down to that rate (a full one), by halves.
  const ratio = s.settling ?? 8;
  const share = s.steady ? 1 : Math.max(0, Math.min(0.97, 1 - Math.log2(Math.max(1, ratio)) / 3));
  attr($("settle-fill"), "width", (share * 100).toFixed(1));
  attr(track, "data-steady", s.steady);
  const values = { now: force(s.loss_now_n, unit()), later: force(s.loss_later_n, unit()) };
  text($("settle-says"), fill(s.steady ? T.steady : T.loss, values));
}

function paint() {
  due = false;
  paintBegin();
  paintGuided();
  show($("bench"), working());
  attr($("bench"), "data-bed", now.bed !== null);
  show($("hands"), working());
  paintQuiet();
  paintTrip();
  if (working()) paintWork();
  paintAble(); // last: what has just been made is off where it can do nothing
}

function paintWork() {
  const s = now.status;
  const isFresh = fresh();
  const moment = decide();
  paintMoment(moment);
  announce(moment);
  paintDigits(isFresh);
  const calm = prefs.motion || matchMedia("(prefers-reduced-motion: reduce)").matches;
  paintShape(isFresh && s.reference_n !== null ? s.force_n / s.reference_n : null, calm);
  show($("shape"), s !== null && s.reference_n !== null);
  toNext(s);
  paintTrace();
  if (jobDue || performance.now() - jobShownAt > SELDOM_MS) {
    jobDue = false;
    jobShownAt = performance.now();
    paintBed();
    paintPlan();
    paintAsk();
  }
  // A job's question is in the field above, and so is what is said of a head out of reach.
  show($("latest"), !moment.job && !["", moment.say].includes($("latest").textContent));
  buttons(s);
}

function buttons(s) {
  show($("pedal"), mine());
  show($("arm"), holds() && s !== null && s.state === "unarmed" && decide().word === "arm");
  const loaded = s !== null && !["unarmed", "slack", "referencing", "booted_loaded"].includes(s.state);
  show($("let-down"), holds() && loaded && s.state !== "returning");
  show($("stop"), mayControl());
}

// For ears and for readers of the screen: the word when it changes, with the name of the string once.
function announce(moment) {
  if (moment.word === lastWord && moment.say === lastSpoken) return;
  const changed = moment.word !== lastWord;
  lastWord = moment.word;
  lastSpoken = moment.say;
  text($("live"), `${T.words[moment.word] ?? moment.word}. ${moment.say}`);
  if (!changed) return;
  if (moment.word in CUE_OF) cue(CUE_OF[moment.word]);
  const label = moment.word === "draw" && now.status ? now.status.label : "";
  speak(label ? fill(T.spokenNext, { word: T.words[moment.word], label }) : T.words[moment.word] ?? moment.word);
}

function event(message) {
  if (message.name === "steady") cue("steady");
  else if (message.state === "taking_up") {
    cue("moves");
    if (message.name === "state") unsay(); // what was said of the pull before is old now
  }
  if (message.values.tap) return; // an answer to a job's question, not a mistake
  const says = message.says[unit()];
  if (says && !("fault" in message.values && message.name !== "also")) sayInTrip(says);
  // When something has stopped the head already, that it stands now is no news, and not what is to be done.
  const known = now.stop !== null && ORDERED.includes(message.values.fault);
  if (says) sayLine(known ? "quiet" : message.trouble ? "trip" : message.name === "connected" ? "quiet" : "say", says);
}

function stopIs(stop) {
  if (stop === null && now.stop !== null) unsay(now.stop.says[unit()]); // what was to be done is done
  now.stop = stop;
}

function listen() {
  on("you", (m) => {
    now.you = m;
    letGo();
  });
  on("controls", (m) => {
    if (now.you !== null && m.holder !== now.you.number) letGo();
    now.holder = m.holder;
    if (holds() && prefs.unit) send({ do: "unit", unit: prefs.unit });
  });
  on("place", (m) => {
    if (m.at === "starting" || (m.at === "nothing" && now.place.at === "work")) {
      Object.assign(now, { status: null, job: null, stop: null, record: null });
      clearTrace();
      clearLines();
    }
    if (m.trouble && m.at === "work") sayLine("trip", m.trouble);
    if (m.at === "work" && now.place.at !== "work" && m.cuts && m.cuts.length) sayLine("say", cuts(m.cuts));
    now.place = m;
    now.placeAt = performance.now();
    stayAwake();
  });
  on("status", (m) => {
    now.status = m;
    addPoint(m);
    countMoment();
    if (m.state === "unarmed" || m.state === "slack") stopIs(null);
  });
  on("job", (m) => {
    now.job = m.job;
    now.jobClock = m;
    now.jobAt = performance.now();
  });
  on("bed", (m) => (now.bed = m.bed));
  on("away", (m) => (now.away = m.word ? m : null));
  on("stop", (m) => stopIs(m.event));
  on("event", event);
  on("record", (m) => {
    now.record = m.record;
    if (m.fresh) made(m.record);
  });
  on("line", (m) => {
    sayLine(m.line, m.text);
    if (m.line === "question" || m.line === "reference") {
      cue(m.line);
      speak(m.text);
    }
  });
  on("hands", (m) => text($("sim-hands"), fill(T.hands, { text: m.text })));
  on("refused", (m) => {
    sayLine("remark", m.text);
    sayInTrip(m.text);
    if (!working()) now.place = { ...now.place, trouble: m.text };
  });
  on("closed", () => (now.holder = null));
  for (const kind of ["you", "controls", "place", "job", "bed", "record"]) on(kind, () => (jobDue = true));
  on("status", () => {
    if (now.status.state !== lastState) jobDue = true;
    lastState = now.status.state;
  });
  for (const kind of ["you", "controls", "place", "status", "job", "bed", "stop", "away", "record", "refused", "closed", "open"]) on(kind, soon);
}

function made(r) {
  if (r.ended !== "let off" || r.reached_s === null || r.clamped_s === null) return;
  const values = {
    label: r.label,
    force: force(r.force_at_clamp_n, unit()),
    reached: r.reached_s.toFixed(1),
    held: (r.clamped_s - r.reached_s).toFixed(1),
    proof: r.proof,
  };
  sayLine(now.place.number ? "quiet" : "say", fill(T.made, values));
}

// A page that lies beside the work is not to go dark; where the browser does not do it, nothing is lost.
async function stayAwake() {
  try {
    if (document.visibilityState === "visible" && working()) await navigator.wakeLock.request("screen");
  } catch {
    // It is a comfort only.
  }
}

function cuts(list) {
  const said = list.map((c) => {
    const values = { part: T.parts[c.part], m: (c.total_mm / 1000).toFixed(2), short: c.short_side_mm && (c.short_side_mm / 1000).toFixed(2) };
    return fill(c.short_side_mm ? T.cutShort : T.cut, values);
  });
  return fill(T.cuts, { cuts: said.join(", ") });
}

function words() {
  document.title = T.title;
  for (const e of document.querySelectorAll("[data-t]")) text(e, e.dataset.t.split(".").reduce((t, key) => t[key], T));
  for (const e of document.querySelectorAll("[data-t-label]")) attr(e, "aria-label", T[e.dataset.tLabel]);
}

function start() {
  words();
  makeShape($("shape"));
  listen();
  listenForBegin();
  listenForGuided();
  listenForTrips();
  listenForQuiet();
  listenForPedal();
  $("stop").addEventListener("click", () => send({ do: "ask", what: "stop" }));
  $("let-down").addEventListener("click", () => send({ do: "ask", what: "let down" }));
  $("arm").addEventListener("click", () => send({ do: "ask", what: "arm" }));
  addEventListener("keydown", (e) => {
    if (e.code === "Escape" && (working() || now.place.at === "guided") && mayControl() && !e.repeat) send({ do: "ask", what: "stop" });
  });
  for (const name of ["pointerdown", "keydown"]) addEventListener(name, wakeSound, { capture: true });
  addEventListener("resize", soon);
  setInterval(soon, IDLE_MS); // what gets old has to look old even when nothing comes
  document.addEventListener("visibilitychange", stayAwake);
  connect();
}

start();
