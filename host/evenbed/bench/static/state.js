// All that the page knows, as the server said it last. One place to read it from.
import { alive } from "./wire.js";
import { prefs } from "./prefs.js";

export const now = {
  you: null, // {number, role}
  holder: null,
  place: { at: "nothing" },
  status: null,
  job: null,
  jobAt: 0,
  jobClock: null,
  placeAt: 0,
  bed: null,
  stop: null, // what stopped the head, as the server told it
  record: null,
  away: null, // {word, says}: the head is out of reach, and why
};

export const LOADED_N = 8;
const AT_REST = ["unarmed", "slack", "referencing", "booted_loaded"];

export const unit = () => prefs.unit || now.place.unit || "kgf";
export const holds = () => now.you !== null && now.holder === now.you.number;
export const mayControl = () => now.you !== null && now.you.role === "controls";
export const working = () => now.place.at === "work";
export const simulated = () => Boolean(now.place.simulated);
export const atRest = () => now.status === null || AT_REST.includes(now.status.state);
export const fresh = () => alive() && now.away === null && now.status !== null && now.status.force_n !== null;
// What may be said of the string: "unknown", "pulls" or "slack".
export const string = () => (alive() && now.away === null && now.status !== null ? now.status.string : "unknown");
// Over a stop that was, what has gone since comes first.
export const stopped = () => now.away === null && now.status !== null && now.status.state === "tripped";
