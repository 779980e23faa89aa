// A sign for each word, drawn on a field of 100 × 100 with the lines of the page: what it shows is done with the string.
import { svg } from "./dom.js";

const LINES = {
  arm: ["M20 78 H80", "M50 70 V20", "M34 38 L50 20 L66 38"],
  draw: ["M12 50 H66", "M52 30 L72 50 L52 70", "M84 22 V78"],
  wait: ["M18 50 H30", "M44 50 H56", "M70 50 H82"],
  straighten: ["M10 34 C24 10 36 58 50 34 S76 10 90 34", "M10 74 H90"],
  clamp: ["M8 50 H92", "M36 10 H64 V40 H36 Z", "M36 90 H64 V60 H36 Z"],
  "let off": ["M10 30 C30 30 30 78 50 78 S72 30 90 30"],
  "let down": ["M50 12 V64", "M34 48 L50 66 L66 48", "M20 86 H80"],
  question: ["M30 34 C30 8 72 8 72 34 C72 52 50 52 50 70", "M50 86 V88"],
  stopped: ["M30 18 V82", "M70 18 V82"],
  stop: ["M32 8 H68 L92 32 V68 L68 92 H32 L8 68 V32 Z", "M30 50 H70"],
  loaded: ["M10 50 H90", "M24 30 V70", "M76 30 V70"],
  check: ["M14 54 L40 80 L86 22"],
  "tie off": ["M8 62 H34 C62 62 66 22 48 22 S34 62 62 62 H92"],
  break: ["M22 26 H66 V62 C66 84 22 84 22 62 Z", "M66 36 C88 36 88 58 66 58"],
  done: ["M14 54 L40 80 L86 22", "M14 94 H86"],
  "no link": ["M10 50 H36", "M64 50 H90", "M42 36 L58 64", "M58 36 L42 64"],
  "no board": ["M6 50 H18", "M82 50 H94", "M34 26 H66 V74 H34 Z"],
  ended: ["M24 24 L76 76", "M76 24 L24 76"],
  look: ["M8 50 C28 16 72 16 92 50 C72 84 28 84 8 50 Z", "M50 42 V58"],
};

export function drawGlyph(holder, word) {
  if (holder.dataset.word === word) return;
  holder.dataset.word = word;
  holder.replaceChildren(...(LINES[word] || LINES.wait).map((d) => svg("path", { d })));
}
