// The pedal of a simulated rig: the space bar and the button. On a real rig this sends nothing.
import { $ } from "./dom.js";
import { holds, simulated, working } from "./state.js";
import { send } from "./wire.js";

const TYPES = ["INPUT", "TEXTAREA", "SELECT"];
const TAP_MS = 180;
let down = false;

export const mine = () => working() && simulated() && holds();

function press(now) {
  if (now === down) return;
  down = now;
  send({ do: "pedal", down: now });
  $("pedal").dataset.down = String(now);
}

function isTyping(target) {
  return target instanceof HTMLElement && TYPES.includes(target.tagName) && target.type !== "checkbox" && target.type !== "radio";
}

function isPedal(event) {
  return event.code === "Space" && mine() && !isTyping(event.target) && !event.ctrlKey && !event.altKey && !event.metaKey;
}

export function listenForPedal() {
  // Captured before any button sees it: a button in focus is not what the foot means.
  addEventListener(
    "keydown",
    (event) => {
      if (!isPedal(event)) return;
      event.preventDefault();
      event.stopPropagation();
      if (!event.repeat) press(true);
    },
    true,
  );
  addEventListener(
    "keyup",
    (event) => {
      if (event.code !== "Space" || (!down && !isPedal(event))) return;
      event.preventDefault();
      event.stopPropagation();
      press(false);
    },
    true,
  );
  const button = $("pedal");
  button.addEventListener("pointerdown", (event) => {
    if (!mine()) return;
    event.preventDefault();
    button.setPointerCapture(event.pointerId);
    press(true);
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) button.addEventListener(name, () => press(false));
  // Enter, or a click made by something that has no finger: one tap.
  button.addEventListener("click", (event) => {
    if (event.detail !== 0 || !mine()) return;
    press(true);
    setTimeout(() => press(false), TAP_MS);
  });
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  // A page that nobody looks at has no foot on the pedal.
  addEventListener("blur", () => press(false));
  document.addEventListener("visibilitychange", () => press(false));
}

export function letGo() {
  down = false;
  $("pedal").dataset.down = "false";
}
