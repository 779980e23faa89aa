// A stop, over the whole screen: what happened, with its values, what to do next, the way down, and what led to it to save.
import { noLink } from "./able.js";
import { $, attr, el, show, text } from "./dom.js";
import { pedal } from "./moment.js";
import { holds, mayControl, now, stopped, string, unit } from "./state.js";
import { T, fill } from "./texts.en.js";
import { force } from "./units.js";
import { on, send } from "./wire.js";

const ASK_MS = 1500;
let open = false;
let kept = 0;
let askedAt = 0;

function shown(key, value) {
  if (key.endsWith("_n")) return force(value, unit());
  if (key.endsWith("_mm")) return `${value.toFixed(1)} mm`;
  if (key.endsWith("_s")) return value < 0.1 ? `${(1000 * value).toFixed(0)} ms` : `${value.toFixed(2)} s`;
  return String(Math.round(100 * value) / 100);
}

function sentence() {
  const stop = now.stop;
  return stop !== null ? stop.says[unit()] || T.fallbackTrip : now.status.stop || T.fallbackTrip;
}

// What happened and what to do next are one sentence after another in the catalogue: `parts` has them apart.
function fillIn() {
  const stop = now.stop;
  const parts = stop !== null && stop.parts ? stop.parts[unit()] : null;
  text($("trip-what"), parts ? parts[0] : sentence());
  text($("trip-next"), parts ? parts[1] : "");
  show($("trip-next-field"), Boolean(parts && parts[1]));
  const values = stop === null ? [] : Object.entries(stop.values).filter(([key]) => key in T.values);
  const known = JSON.stringify([values, unit()]);
  const table = $("trip-values");
  if (table.dataset.known !== known) {
    table.dataset.known = known;
    table.replaceChildren(...values.flatMap(([key, value]) => [el("dt", {}, T.values[key]), el("dd", {}, shown(key, value))]));
  }
}

function save() {
  const link = $("trip-save");
  if (kept === 0 && performance.now() - askedAt > ASK_MS) {
    askedAt = performance.now();
    send({ do: "look" });
  }
  show(link, kept > 0);
  show($("trip-keeping"), kept === 0);
  if (kept > 0) {
    attr(link, "href", `/trip/${kept}`);
    text($("trip-number"), fill(T.tripNumber, { n: kept }));
  }
  show($("trip-number"), kept > 0);
}

export function paintTrip() {
  const due = stopped();
  if (due !== open) {
    open = due;
    show($("trip"), due);
    for (const behind of [$("bench"), $("quiet"), $("hands")]) behind.inert = due;
    if (due) {
      kept = 0;
      text($("trip-said"), "");
      askedAt = performance.now() - ASK_MS / 2;
      $("trip-title").focus();
    }
  }
  if (!due) return;
  fillIn();
  const s = now.status;
  const known = string();
  text($("trip-force"), known !== "unknown" && s.force_n !== null ? force(s.force_n, unit()) : "– – –");
  text($("trip-state"), noLink() ? T.say.noLink : fill(T.tripString[known], { pedal: pedal() }));
  attr($("trip"), "data-loaded", known !== "slack");
  text($("trip-no-way"), s.no_way_down);
  show($("trip-no-way"), Boolean(s.no_way_down) && mayControl() && holds());
  for (const id of ["trip-down", "trip-clear"]) show($(id), mayControl() && holds());
  show($("trip-take"), mayControl() && !holds());
  save();
}

// What is said while the stop stands: why it cannot be cleared, what has come since.
export function sayInTrip(words) {
  if (open) text($("trip-said"), words);
}

export function listenForTrips() {
  $("trip-down").addEventListener("click", () => send({ do: "ask", what: "let down" }));
  $("trip-clear").addEventListener("click", () => send({ do: "ask", what: "clear" }));
  $("trip-take").addEventListener("click", () => send({ do: "take" }));
  on("choices", (message) => {
    const newest = message.trips.length ? message.trips[0].number : 0;
    if (open && newest > (now.place.trips_before ?? 0)) kept = newest;
  });
}
