// The sole of the club that is up, to scale, with all that is known of its contact but the strikes
// themselves (`dots.js`).

import { set, svg, text } from "./elements.js";
import { VIEW, across, along, toeSign } from "./place.js";
import { RULER, TICK_MM, lengthText } from "./words.js";

const RING_MM = 2.3;
const HALO_MM = 4.2;
const HALO_MS = 600;

export class Sole {
  /** The strikes lie between the two drawings: on the sole, under the mean. */
  constructor(head, drawing) {
    this._head = head;
    this._drawing = drawing;
    const viewBox = `${VIEW.left} ${VIEW.top} ${VIEW.width} ${VIEW.height}`;
    for (const picture of [head, drawing]) set(picture, { viewBox });
    this._found = svg("g");
    this._ring = svg("circle", { r: RING_MM, class: "ring" });
    this._halo = svg("circle", { r: HALO_MM, class: "ring" });
    drawing.append(this._found);
    this._drawn = "";
    this._marked = null;
  }

  draw(club, hand) {
    const sign = toeSign(hand);
    const shape = JSON.stringify([club?.sole, sign]);
    if (shape !== this._drawn) {
      this._drawn = shape;
      this._head.replaceChildren(...(club ? outline(club.sole, sign) : []));
    }
    this._found.replaceChildren(...(club ? found(club, sign) : []));
    set(this._drawing, { "aria-label": club ? says(club) : "no club is up" });
  }

  /**
   * Mark the newest strike, or none; another than before has a second, wider ring for a moment. Two
   * pictures and no animation: a tablet in the bay has sixty frames a second for other things.
   */
  mark(strike, club, hand) {
    const placed = strike && club && strike.toe_mm !== null;
    const another = placed && strike.id !== this._marked;
    this._marked = placed ? strike.id : null;
    if (!placed) {
      this._ring.remove();
      this._halo.remove();
      return;
    }
    const { x } = along(strike.toe_mm, toeSign(hand));
    const y = across(strike, club.sole.width_mm);
    for (const ring of [this._ring, this._halo]) set(ring, { cx: x, cy: y });
    if (!another) return;
    this._drawing.append(this._ring, this._halo);
    clearTimeout(this._settling);
    this._settling = setTimeout(() => this._halo.remove(), HALO_MS);
  }
}

/** The outline only frames the strikes: its length and width are the head's, its curves are not. */
function outline(sole, sign) {
  const [a, h, l] = [sole.length_mm / 2, sole.width_mm / 2, sole.length_mm];
  const at = (x, y) => `${(sign * x).toFixed(2)} ${y.toFixed(2)}`;
  const curve = (...points) => `C${points.map(([x, y]) => at(x, y)).join(" ")}`;
  const path = [
    `M${at(-a + 0.12 * l, 0.82 * h)}`,
    curve([-0.12 * l, 1.0 * h], [0.18 * l, 1.04 * h], [a - 0.17 * l, 0.95 * h]),
    curve([a - 0.03 * l, 0.86 * h], [a, 0.45 * h], [a, -0.04 * h]),
    curve([a, -0.56 * h], [a - 0.05 * l, -0.94 * h], [a - 0.19 * l, -0.98 * h]),
    curve([0.1 * l, -1.03 * h], [-0.18 * l, -0.95 * h], [-a + 0.13 * l, -0.74 * h]),
    curve([-a + 0.03 * l, -0.64 * h], [-a, -0.34 * h], [-a, 0.06 * h]),
    curve([-a, 0.5 * h], [-a + 0.04 * l, 0.76 * h], [-a + 0.12 * l, 0.82 * h]),
    "Z",
  ].join("");
  const hosel = [
    `M${at(-a + 0.2 * l, -0.8 * h)}`,
    curve([-a + 0.06 * l, -0.72 * h], [-a, -0.66 * h], [-a - 4.5, -0.62 * h]),
    curve([-a - 6.5, -0.6 * h], [-a - 6.5, 0.3 * h], [-a - 4.5, 0.3 * h]),
    curve([-a, 0.32 * h], [-a + 0.04 * l, 0.4 * h], [-a + 0.1 * l, 0.6 * h]),
  ].join("");
  const words = (x, y, what, kind) => {
    const element = svg("text", { x: (sign * x).toFixed(2), y, class: kind });
    text(element, what);
    return element;
  };
  const ruler = h + 2.2;
  const ticks = [];
  const reach = RULER.at(-1)[0];
  const half = Math.round(reach / TICK_MM);
  for (let tick = -half; tick <= half; tick += 1) {
    ticks.push(`M${(sign * tick * TICK_MM).toFixed(2)} ${ruler}v${tick % 2 ? 0.8 : 1.5}`);
  }
  const figures = RULER.map(([mm, figure]) => words(mm, ruler + 4.6, figure, "figure-mm"));
  return [
    svg("path", { d: hosel, class: "hosel" }),
    svg("path", { d: path, class: "outline" }),
    svg("path", { d: `M0 ${-h}V${h}`, class: "middle" }),
    words(-a + 7.5, 1.1, "heel", "end"),
    words(a - 7, 1.1, "toe", "end"),
    words(0.22 * l, h - 1.2, "leading edge", "edge"),
    svg("path", { d: `M${-reach} ${ruler}H${reach}${ticks.join("")}`, class: "ruler" }),
    ...figures,
  ];
}

function found(club, sign) {
  const h = club.sole.width_mm / 2;
  const x = (mm) => along(mm, sign).x;
  const parts = [];
  const { contact, ellipse } = club;
  if (contact && contact.low_mm !== null) {
    const [from, to] = [x(contact.low_mm), x(contact.high_mm)].sort((a, b) => a - b);
    const level = -h - 2.4;
    parts.push(
      svg("rect", { x: from, y: -h, width: to - from, height: 2 * h, class: "band" }),
      svg("path", {
        d: `M${from} ${level}H${to}M${from} ${level - 1}v2M${to} ${level - 1}v2`,
        class: "interval-bar",
      }),
    );
  }
  if (ellipse) {
    // Turned as the page turns: clockwise, while the trailing edge is up.
    const turn = -sign * ellipse.angle_deg;
    const place = `translate(${sign * ellipse.toe_mm} ${-ellipse.trail_mm}) rotate(${turn})`;
    parts.push(
      svg("ellipse", {
        rx: ellipse.major_mm,
        ry: ellipse.minor_mm,
        transform: place,
        class: "ellipse",
      }),
    );
  }
  const wanted = x(club.wanted_mm);
  parts.push(
    svg("path", { d: `M${wanted} ${-h - 1}V${h + 1.4}`, class: "wanted" }),
    svg("path", { d: `M${wanted} ${h + 0.8}l1.7 2.9h-3.4z`, class: "wanted-sign" }),
  );
  if (contact) {
    const mean = x(contact.mean_mm);
    const level = -h - 5.2;
    parts.push(
      svg("path", { d: `M${mean} ${level}V${h}`, class: "mean" }),
      svg("path", { d: `M${mean} ${level - 2.1}l1.9 2.1l-1.9 2.1l-1.9 -2.1z`, class: "mean-sign" }),
    );
  }
  return parts;
}

function says(club) {
  const { contact } = club;
  const mean = contact
    ? `mean contact ${lengthText(contact.mean_mm)}` +
      (contact.low_mm === null
        ? ""
        : `, 90 % ${lengthText(contact.low_mm)} to ${lengthText(contact.high_mm)}`)
    : "no usable strike";
  return `Sole of ${club.name}: ${club.used} strikes used, ${mean}, wanted ${lengthText(club.wanted_mm)}`;
}
