// Numbers and states in words. Signs are those of the whole program: + toward the toe, + too upright.

const MINUS = "−";

/** A number with its sign, such as +4.2 or −0.3. */
export function signed(value, digits = 1) {
  const text = Math.abs(value).toFixed(digits);
  if (Number(text) === 0) return text;
  return (value < 0 ? MINUS : "+") + text;
}

const MM_PER_INCH = 25.4;
// The desk's viewers choose; a page of its own is in mm.
const inches = document.documentElement.dataset.units === "in";
export const LENGTH_UNIT = inches ? "in" : "mm";

/** A place or length as this viewer reads it, without its unit. */
export const lengthNumber = (mm) => (inches ? signed(mm / MM_PER_INCH, 2) : signed(mm));

export const lengthText = (mm) => `${lengthNumber(mm)} ${LENGTH_UNIT}`;

/** Without decimals that nobody reads on a grid. */
export const roughLength = (mm) =>
  `${inches ? signed(mm / MM_PER_INCH) : signed(mm, 0)} ${LENGTH_UNIT}`;

/** Where a ruler has its figures, mm, and the figure; the middle one with its unit. */
export const RULER = inches
  ? [-1.5, -1, -0.5, 0, 0.5, 1, 1.5].map((inch) => [inch * MM_PER_INCH, figure(inch, 1)])
  : [-40, -20, 0, 20, 40].map((mm) => [mm, figure(mm, 0)]);

/** Steps of a ruler's ticks, mm: every second one is long. */
export const TICK_MM = inches ? MM_PER_INCH / 4 : 5;

function figure(value, digits) {
  return value ? signed(value, digits) : `0 ${LENGTH_UNIT}`;
}

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
