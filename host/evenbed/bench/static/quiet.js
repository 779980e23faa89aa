// The quiet line: which rig, how warm, what is due, which zero, how the link is; who has the controls; the page's settings.
import { $, attr, el, show, text } from "./dom.js";
import { onPrefs, prefs, setPref } from "./prefs.js";
import { fresh, holds, mayControl, now, simulated, unit, working } from "./state.js";
import { canSpeak } from "./sound.js";
import { T, fill } from "./texts.en.js";
import { UNITS, force } from "./units.js";
import { alive, send } from "./wire.js";

const WARM_MIN = 15; // of a bridge and its converter: common practice, no source
let moments = [];

export function countMoment() {
  const t = performance.now();
  moments.push(t);
  while (moments.length && moments[0] < t - 2000) moments.shift();
}

export function paintQuiet() {
  const s = now.status;
  const at = now.place;
  const parts = [];
  if (working()) {
    parts.push(simulated() ? T.simulatedRig : fill(T.realRig, { port: at.port }));
    if (s !== null) {
      parts.push(T.zero[s.zero] ?? "");
      const min = at.connected_s === null || at.connected_s === undefined ? null : Math.floor((at.connected_s + (performance.now() - now.placeAt) / 1000) / 60);
      if (min !== null) parts.push(fill(min < WARM_MIN ? T.warmUp : T.warm, { min }));
      const rate = Math.round(moments.filter((t) => t > performance.now() - 2000).length / 2);
      parts.push(!alive() ? T.linkGone : now.away !== null ? T.linkAway[now.away.word] : fresh() ? `${T.linkGood}, ${fill(T.readings, { n: rate })}` : fill(T.linkLate, { why: s.why }));
    }
  } else if (!alive()) parts.push(T.linkGone);
  text($("quiet-facts"), parts.filter(Boolean).join(" · "));
  const due = working() ? (at.said || []).join(" ") : "";
  text($("quiet-due"), due);
  show($("quiet-due"), Boolean(due));
  const who = !mayControl() && now.you !== null ? T.lookOnly : holds() ? T.youHold : now.holder !== null ? T.otherHolds : T.nobodyHolds;
  text($("who"), working() || now.holder !== null || !mayControl() ? who : "");
  attr($("who"), "data-holds", holds());
  text($("take"), now.holder !== null ? T.takeOver : T.take);
  show($("take"), working() && mayControl() && !holds());
  show($("leave"), working() && holds());
  show($("release"), working() && holds());
  const line = [];
  if (working() && s !== null) {
    const below = fresh() ? fill(T.toCeiling, { force: force(s.ceiling_n - s.force_n, unit()) }) : "";
    line.push(`${fill(T.ceiling, { force: force(s.ceiling_n, unit()) })}${below ? ` · ${below}` : ""}`);
    if (now.record !== null && now.record.least_margin_n !== null) {
      line.push(fill(T.margin, { force: force(now.record.least_margin_n, unit()) }));
    }
  }
  text($("bounds"), line.join(" · "));
}

function choice(holder, options, key) {
  const field = el("select", { id: `set-${key}` });
  for (const [value, name] of options) field.append(el("option", { value }, name));
  field.addEventListener("change", () => setPref(key, field.value));
  holder.append(field);
  return field;
}

function flag(id, key) {
  const box = $(id);
  box.addEventListener("change", () => setPref(key, box.checked));
  return box;
}

export function listenForQuiet() {
  const unitField = choice($("unit-field"), UNITS.map((u) => [u, u]), "unit");
  const themeField = choice($("theme-field"), Object.entries(T.themes), "theme");
  const boxes = { sounds: flag("set-sounds", "sounds"), speech: flag("set-speech", "speech"), motion: flag("set-motion", "motion") };
  onPrefs(() => {
    unitField.value = unit();
    themeField.value = prefs.theme;
    for (const [key, box] of Object.entries(boxes)) box.checked = prefs[key];
    attr(document.documentElement, "data-theme", prefs.theme);
    show($("speech-none"), prefs.speech && !canSpeak());
    if (holds() && prefs.unit) send({ do: "unit", unit: prefs.unit });
  });
  $("take").addEventListener("click", () => send({ do: "take" }));
  $("release").addEventListener("click", () => send({ do: "release" }));
  $("leave").addEventListener("click", () => send({ do: "leave" }));
  // What was chosen is done: the menu closes, and the page is seen again.
  for (const id of ["release", "leave"]) $(id).addEventListener("click", () => ($("settings").open = false));
}
