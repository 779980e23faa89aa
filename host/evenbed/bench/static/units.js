// Newtons inside; shown in N, kgf or lbf. Factors: NIST SP 811, App. B.
const SHOWN = { N: [1, 1], kgf: [9.80665, 2], lbf: [4.4482216152605, 1] };

export const UNITS = Object.keys(SHOWN);

export function figure(newtons, unit) {
  const [factor, digits] = SHOWN[unit];
  const text = (newtons / factor).toFixed(digits);
  return Number(text) === 0 ? text.replace("-", "") : text;
}

export function force(newtons, unit) {
  return newtons === null || newtons === undefined ? "–" : `${figure(newtons, unit)} ${unit}`;
}

export function minutes(seconds) {
  const s = Math.max(0, Math.round(seconds));
  return `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")} min`;
}
