// What this page remembers of who looks at it. Nothing of it moves anything.
const KEY = "evenbed";
const FIRST = { unit: "", theme: "auto", sounds: true, speech: false, motion: false, seen: false };

function load() {
  try {
    return { ...FIRST, ...JSON.parse(localStorage.getItem(KEY) || "{}") };
  } catch {
    return { ...FIRST };
  }
}

export const prefs = load();
const listeners = [];

export function onPrefs(listener) {
  listeners.push(listener);
  listener(prefs);
}

export function setPref(key, value) {
  prefs[key] = value;
  try {
    localStorage.setItem(KEY, JSON.stringify(prefs));
  } catch {
    // A browser that keeps nothing: the choice holds until it is closed.
  }
  for (const listener of listeners) listener(prefs);
}
