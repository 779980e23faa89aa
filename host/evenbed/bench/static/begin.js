// The beginning: try a pull, one pull, a racquet, a job that waits, and what the records hold.
import { noLink } from "./able.js";
import { $, attr, el, show, text } from "./dom.js";
import { prefs, setPref } from "./prefs.js";
import { mayControl, now, unit, working } from "./state.js";
import { T, fill } from "./texts.en.js";
import { force } from "./units.js";
import { on, send } from "./wire.js";

const SIMULATED = "simulated";
let choices = null;

// To begin is to take the controls: the press of the button says so.
function begin(values) {
  send({ do: "take" });
  send({ do: "begin", ...values });
}

const rig = () => $("rig").value || SIMULATED;
const inUnit = () => (prefs.unit ? `?unit=${prefs.unit}` : "");
const when = (wall) => new Date(wall).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });

function racquets() {
  const field = $("racquet");
  const kept = field.value;
  field.replaceChildren(
    ...choices.racquets.map((r) => {
      if (r.trouble) return el("option", { value: r.key, disabled: true }, r.key);
      const [main, cross] = [r.main_n, r.cross_n].map((n) => force(n, prefs.unit || r.unit));
      return el("option", { value: r.key }, fill(T.racquetLine, { ...r, main, cross }));
    }),
  );
  if (kept) field.value = kept;
  else field.value = (choices.racquets.find((r) => r.key.includes("demo")) ?? choices.racquets[0])?.key ?? "";
}

function rigs() {
  const field = $("rig");
  const kept = field.value;
  field.replaceChildren(
    el("option", { value: SIMULATED }, T.rigSimulated),
    ...choices.ports.map((p) => el("option", { value: p }, p)),
  );
  if (kept) field.value = kept;
}

function jobRow(job) {
  const name = fill(T.jobRow, { n: job.number, name: job.name, phase: T.phases[job.phase] ?? job.phase });
  const over = job.phase === "finished" || job.phase === "given up";
  const parts = [el("span", { class: "what" }, name), el("time", {}, when(job.wall))];
  if (job.simulated) parts.push(el("span", { class: "mark" }, T.simulatedMark));
  parts.push(el("a", { href: `/report/${job.number}${inUnit()}`, target: "_blank" }, T.reportLink));
  parts.push(el("a", { href: `/report/${job.number}/file${inUnit()}`, download: "" }, T.reportSave));
  if (!over && mayControl()) {
    const where = job.simulated ? SIMULATED : rig();
    parts.push(el("button", { type: "button", onclick: () => begin({ what: "resume", number: job.number, rig: where }) }, T.goOn));
  }
  return el("li", {}, ...parts);
}

function tripRow(trip) {
  const at = trip.force_n === null ? "" : ` · ${force(trip.force_n, unit())}`;
  return el(
    "li",
    {},
    el("span", { class: "what" }, `${trip.number} · ${trip.name}${at}`),
    el("time", {}, when(trip.wall)),
    trip.simulated ? el("span", { class: "mark" }, T.simulatedMark) : null,
    el("a", { href: `/trip/${trip.number}`, download: "" }, T.saveLink),
  );
}

function fillLists() {
  const waiting = choices.jobs.filter((j) => j.phase !== "finished" && j.phase !== "given up");
  const over = choices.jobs.filter((j) => !waiting.includes(j));
  const done = over.filter((j) => j.phase === "finished");
  show($("twin-field"), done.length > 0);
  $("twin").replaceChildren(
    el("option", { value: 0 }, T.twinNone),
    ...done.map((j) => el("option", { value: j.number }, `${j.number} · ${j.name} · ${when(j.wall)}`)),
  );
  const named = choices.jobs.filter((j) => j.pulls > 0);
  show($("compare-form"), named.length > 1);
  for (const [i, id] of ["compare-b", "compare-a"].entries()) {
    $(id).replaceChildren(...named.map((j) => el("option", { value: j.number }, `${j.number} · ${j.name} · ${when(j.wall)}`)));
    if (named.length > i) $(id).value = named[i].number;
  }
  show($("resume-field"), waiting.length > 0);
  $("resume").replaceChildren(...waiting.map(jobRow));
  $("jobs").replaceChildren(...(over.length ? over.map(jobRow) : [el("li", { class: "none" }, T.noJobs)]));
  $("trips").replaceChildren(...(choices.trips.length ? choices.trips.map(tripRow) : [el("li", { class: "none" }, T.noTrips)]));
  text($("records-trouble"), choices.trouble || "");
  show($("records-trouble"), Boolean(choices.trouble));
}

export function paintBegin() {
  const here = now.place.at === "nothing" && now.you !== null;
  show($("begin"), here || now.place.at === "starting");
  attr($("begin"), "data-starting", now.place.at === "starting");
  show($("starting"), now.place.at === "starting");
  show($("beginnings"), here && mayControl());
  show($("rig-choice"), here && mayControl());
  show($("viewer-begins"), here && !mayControl());
  const trouble = noLink() ? T.say.noLink : now.place.trouble || "";
  show($("trouble"), Boolean(trouble));
  text($("trouble"), trouble);
  attr($("try-field"), "data-first", !prefs.seen);
}

export function listenForBegin() {
  $("try").addEventListener("click", () => {
    setPref("seen", true);
    begin({ what: "pull", reference: "22kgf", family: "nylon", woven: false, rig: SIMULATED });
  });
  $("pull-form").addEventListener("submit", (event) => {
    event.preventDefault();
    begin({ what: "pull", reference: $("pull-reference").value, family: $("family").value, woven: $("woven").checked, rig: rig() });
  });
  $("job-form").addEventListener("submit", (event) => {
    event.preventDefault();
    setPref("seen", true);
    const twin = Number($("twin").value);
    begin({ what: "job", racquet: $("racquet").value, rig: rig(), ...(twin ? { twin } : {}) });
  });
  $("free-form").addEventListener("submit", (event) => {
    event.preventDefault();
    const [main, cross, family, sport] = ["main", "cross", "family", "sport"].map((name) => $(`free-${name}`).value);
    begin({ what: "free", main, cross, family, sport, rig: rig() });
  });
  const guided = (run, more = {}) => begin({ what: "guided", run, unit: unit(), rig: rig(), ...more });
  for (const button of document.querySelectorAll("[data-run]")) button.addEventListener("click", () => guided(button.dataset.run));
  $("check-form").addEventListener("submit", (event) => {
    event.preventDefault();
    guided("check", { weight: $("check-weight").value });
  });
  $("calibrate-form").addEventListener("submit", (event) => {
    event.preventDefault();
    guided("calibrate", { latitude: $("latitude").value, resume: $("calibrate-resume").checked });
  });
  $("compare-form").addEventListener("submit", (event) => {
    event.preventDefault();
    open(`/compare/${$("compare-a").value}/${$("compare-b").value}${inUnit()}`, "_blank");
  });
  $("refresh").addEventListener("click", () => send({ do: "look" }));
  on("choices", (message) => {
    choices = message;
    if (working()) return;
    racquets();
    rigs();
    fillLists();
  });
  on("you", () => send({ do: "look" }));
  on("place", (message) => {
    if (message.at === "nothing") send({ do: "look" });
  });
  for (const id of ["family", "free-family"]) $(id).append(...Object.entries(T.families).map(([value, name]) => el("option", { value }, name)));
  $("free-sport").append(...Object.entries(T.sports).map(([value, name]) => el("option", { value }, name)));
}
