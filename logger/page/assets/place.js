// Where a contact is drawn. The sole is seen from below, leading edge at the foot of the picture:
// then the toe is on the right for a right-hander and on the left for a left-hander.

/** Millimetres in the picture; every club is drawn to this one scale. */
export const VIEW = { left: -48, top: -19, width: 96, height: 38.5 };
/** What lies further out is drawn at the rim, as an arrow. */
const RIM_MM = 45.5;
/** Part of the sole's width over which strikes are spread that have no place front to back. */
const SPREAD = 0.66;

export const toeSign = (hand) => (hand === "left" ? -1 : 1);

/** Place along the picture; `beyond` is -1 or +1 for what lies outside it. */
export function along(toeMm, sign) {
  const x = sign * toeMm;
  if (Math.abs(x) <= RIM_MM) return { x, beyond: 0 };
  return { x: Math.sign(x) * RIM_MM, beyond: Math.sign(x) };
}

/** Place across the picture: + is toward the trailing edge, which is drawn above. */
export function across(strike, widthMm) {
  if (strike.trail_mm === null) return (halves(strike.number) - 0.5) * SPREAD * widthMm;
  return Math.max(-15, Math.min(15, -strike.trail_mm));
}

/**
 * 1/2, 1/4, 3/4, 1/8, 5/8, ... for 1, 2, 3, 4, 5 (van der Corput 1935): neighbours in time fall far
 * apart, and a strike keeps its place however many follow.
 */
function halves(number) {
  let [share, half] = [0, 0.5];
  for (let left = number; left > 0; left = Math.floor(left / 2)) {
    share += half * (left % 2);
    half /= 2;
  }
  return share;
}
