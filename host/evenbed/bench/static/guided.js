// A guided command: what it says now in large letters, all it has said below, and a line to answer it.
import { noLink } from "./able.js";
import { $, el, show, text } from "./dom.js";
import { holds, mayControl, now } from "./state.js";
import { T } from "./texts.en.js";
import { on, send } from "./wire.js";

const END_PX = 40; // so near its end the list follows what is said
const FULL = 96; // letters of a line that was broken, not ended
const BEFORE = 2;
let run = "";
let lines = [];
let code = null;
let following = true; // until somebody reads further up

// What belongs together: a line that is indented far goes on with the one before, and so does one that begins small after a
// full one. A result at the end takes all that is indented under it.
function paragraphs() {
  const out = [];
  let full = false;
  for (const line of lines) {
    const words = line.trim();
    if (!words) continue;
    const goesOn = /^\s{3,}[^>(]/.test(line) || (full && /^\s*[a-z0-9]/.test(line)) || (code !== null && /^\s/.test(line));
    if (goesOn && out.length) out[out.length - 1] += ` ${words}`;
    else out.push(words.replace(/^> /, ""));
    full = line.length > FULL;
  }
  return out;
}

function quick() {
  const makes = Object.entries(T.quick[run] ?? {}).map(([words, label]) =>
    el("button", { type: "button", onclick: () => send({ do: "say", text: words }) }, label),
  );
  $("guided-quick").replaceChildren(...makes);
}

export function paintGuided() {
  const here = now.place.at === "guided";
  show($("guided"), here);
  if (!here) return;
  if (now.place.run !== run) {
    run = now.place.run;
    text($("guided-title"), T.runs[run]);
    text($("guided-hint"), T.hints[run]);
    quick();
  }
  const going = code === null;
  const said = paragraphs();
  const last = said.pop() ?? T.guidedStarting;
  text($("guided-before"), said.slice(-BEFORE).join("\n"));
  text($("guided-now"), last);
  text($("guided-ended"), noLink() ? T.say.noLink : going ? now.place.trouble || "" : (T.guidedEnded[code] ?? T.guidedEnded.other));
  show($("guided-form"), going && holds());
  show($("guided-hint"), going);
  show($("guided-take"), mayControl() && !holds());
  show($("guided-stop"), going && mayControl());
  show($("guided-leave"), holds());
  const list = $("guided-lines");
  if (following) list.scrollTop = list.scrollHeight;
}

export function listenForGuided() {
  on("guided", (m) => {
    lines = m.lines;
    code = m.code;
    text($("guided-lines"), lines.join("\n"));
    following ||= lines.length === 0;
  });
  $("guided-lines").addEventListener("scroll", (event) => {
    const list = event.target;
    following = list.scrollTop + list.clientHeight > list.scrollHeight - END_PX;
  });
  $("guided-form").addEventListener("submit", (event) => {
    event.preventDefault();
    send({ do: "say", text: $("guided-answer").value });
    $("guided-answer").value = "";
  });
  $("guided-take").addEventListener("click", () => send({ do: "take" }));
  $("guided-stop").addEventListener("click", () => send({ do: "ask", what: "stop" }));
  $("guided-leave").addEventListener("click", () => send({ do: "leave" }));
}
