// Cues for ears and spoken words. Sound needs a first click on the page; until then it is silent, and says nothing about it.
import { onPrefs, prefs } from "./prefs.js";

// [Hz, seconds, loudness], one after another; 0 Hz is a rest. The terminal has the same ones.
const CUES = {
  steady: [[880, 0.09, 0.25]],
  question: [[520, 0.22, 0.7], [0, 0.06, 0], [780, 0.3, 0.7]],
  reference: [[660, 0.12, 0.5], [0, 0.08, 0], [660, 0.12, 0.5]],
  trip: [[440, 0.18, 1], [330, 0.18, 1], [440, 0.18, 1], [330, 0.18, 1], [440, 0.18, 1], [330, 0.18, 1]],
  moves: [[220, 0.07, 0.35], [0, 0.05, 0], [294, 0.07, 0.35]],
  done: [[587, 0.12, 0.3], [740, 0.2, 0.3]],
};
const EDGE_S = 0.008;
let context = null;

export function wakeSound() {
  if (context === null && prefs.sounds && "AudioContext" in window) context = new AudioContext();
  if (context !== null && context.state === "suspended") context.resume();
}

export function cue(name) {
  if (!prefs.sounds || context === null || context.state !== "running") return;
  let at = context.currentTime + 0.01;
  for (const [hz, seconds, loud] of CUES[name]) {
    if (hz > 0) {
      const tone = context.createOscillator();
      const gain = context.createGain();
      tone.frequency.value = hz;
      gain.gain.setValueAtTime(0, at);
      gain.gain.linearRampToValueAtTime(0.5 * loud, at + EDGE_S);
      gain.gain.setValueAtTime(0.5 * loud, at + seconds - EDGE_S);
      gain.gain.linearRampToValueAtTime(0, at + seconds);
      tone.connect(gain).connect(context.destination);
      tone.start(at);
      tone.stop(at + seconds);
    }
    at += seconds;
  }
}

// A voice that needs no network, in the page's language.
function voice() {
  if (!("speechSynthesis" in window)) return null;
  const own = speechSynthesis.getVoices().filter((v) => v.localService && v.lang.toLowerCase().startsWith(document.documentElement.lang));
  return own[0] || null;
}

export const canSpeak = () => voice() !== null;

export function speak(words) {
  const chosen = prefs.speech ? voice() : null;
  if (chosen === null) return;
  speechSynthesis.cancel(); // the present moment, not the last one
  const said = new SpeechSynthesisUtterance(words);
  said.voice = chosen;
  said.lang = chosen.lang;
  speechSynthesis.speak(said);
}

onPrefs(() => {
  if (!prefs.speech && "speechSynthesis" in window) speechSynthesis.cancel();
});
