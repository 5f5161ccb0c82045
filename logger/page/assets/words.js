// Numbers and states in words. Signs are those of the whole program: + toward the toe, + too upright.

const MINUS = "−";

/** A number with its sign, such as +4.2 or −0.3. */
export function signed(value, digits = 1) {
  const text = Math.abs(value).toFixed(digits);
  if (Number(text) === 0) return text;
  return (value < 0 ? MINUS : "+") + text;
}

export const millimetres = (value) => `${signed(value)} mm`;

export const degrees = (value) => `${signed(value)}°`;

/** Which way a contact lies from the middle of the sole. */
export function side(toeMm) {
  if (Math.abs(toeMm) < 0.05) return "middle";
  return toeMm > 0 ? "toe" : "heel";
}

export function way(lieErrorDeg) {
  if (Math.abs(lieErrorDeg) < 0.05) return "";
  return lieErrorDeg > 0 ? "upright" : "flat";
}

/** Do the numbers follow it? Not if it is set aside, nor if they do not believe it. */
export const counts = (strike) => strike.used && !strike.doubt;

/** Why a strike does not count, or that a person brought it in; nothing of one that simply counts. */
export function strikeWords(strike) {
  if (!strike.used) return strike.by_hand ? "taken back" : strike.reason || "set aside";
  if (strike.toe_mm === null) return strike.doubt || "has no place: it cannot count";
  return [strike.by_hand && "brought in", strike.doubt].filter(Boolean).join(", but ");
}

export const clockTime = (at) =>
  at.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", second: "2-digit" });
