// Which buttons can do something now. One that cannot is off; why stands in the word of the moment, or beside it.
import { able } from "./dom.js";
import { now, working } from "./state.js";
import { alive, connected } from "./wire.js";

const OF_THE_HEAD = ["arm", "let-down", "stop", "trip-down", "trip-clear"];
const STOPS = ["stop", "guided-stop"];

export function paintAble() {
  const heard = alive() || now.you === null; // before the first word there is nothing to doubt
  const away = working() && now.away !== null;
  const down = now.status === null || !now.status.no_way_down;
  for (const button of document.querySelectorAll("button")) {
    const { id } = button;
    // While the line stands a stop may still arrive: it is not withheld from who is in a hurry.
    const reaches = heard || (STOPS.includes(id) && connected());
    able(button, reaches && !(away && OF_THE_HEAD.includes(id)) && (id !== "trip-down" || down));
  }
}

export const noLink = () => now.you !== null && !alive();
