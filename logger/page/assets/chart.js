// The set at a glance: each club's contact with its interval, the line through the set, who is off it.

import { Box, html, set, svg, text } from "./elements.js";
import { lengthText, roughLength } from "./words.js";

/** The chart reaches this far toward toe and heel, or further if an interval does. */
const REACH_MM = 10;
/** Room above and below for a sign that stands at the end. */
const PAD = 15;
/** An interval is drawn wider than the mean's sign, so that a short one still shows. */
const SPREAD_PX = 18;
/** Lines of the grid are at least so far apart. */
const LEAST_GRID_PX = 14;

export class SetChart {
  /** @param {(name: string) => void} choose is asked to make a club the one that is up */
  constructor(drawing, list, choose) {
    this._drawing = drawing;
    this._list = list;
    this._choose = choose;
    this._buttons = [];
    this._box = new Box(drawing);
    drawing.addEventListener("click", (event) => {
      const box = drawing.getBoundingClientRect();
      const count = this._buttons.length;
      const at = Math.floor(((event.clientX - box.left) / box.width) * count);
      if (this._buttons[at]) choose(this._buttons[at].name);
    });
  }

  /** `shown` is the name of the club that is drawn large. */
  draw(state, shown) {
    this._drawButtons(state, shown);
    this._drawChart(state, shown);
  }

  _drawButtons(state, shown) {
    const { clubs } = state;
    while (this._buttons.length > clubs.length) this._buttons.pop().element.remove();
    while (this._buttons.length < clubs.length) this._buttons.push(this._button());
    this._list.style.setProperty("--count", clubs.length || 1);
    this._list.classList.toggle("many", clubs.length > 9);
    clubs.forEach((club, at) => {
      const it = this._buttons[at];
      it.name = club.name;
      text(it.label, club.name);
      text(it.count, `${decided(club)}${club.used}`);
      set(it.button, {
        "aria-current": club.name === shown ? "true" : null,
        "aria-label": says(club, state),
      });
      it.element.classList.toggle("is-up", club.name === state.current_club);
      it.element.classList.toggle("to-hit", club.name === state.next?.club);
    });
  }

  _button() {
    const it = {
      label: html("span", { class: "name" }),
      count: html("span", { class: "count" }),
      name: "",
    };
    it.button = html("button", { type: "button", class: "club-button" }, it.label, it.count);
    it.button.addEventListener("click", () => this._choose(it.name));
    it.element = html("li", {}, it.button);
    this._list.append(it.element);
    return it;
  }

  _drawChart(state, shown) {
    const [width, height] = [Math.round(this._box.width), Math.round(this._box.height)];
    if (!width || !height) return;
    set(this._drawing, { viewBox: `0 0 ${width} ${height}` });
    const { clubs, line } = state;
    const reach = reachOf(clubs);
    const middle = height / 2;
    const mm = (height / 2 - PAD) / reach;
    const y = (toe) => middle - toe * mm;
    const x = (at) => (width * (at + 0.5)) / clubs.length;
    const wide = Math.min(30, (width / Math.max(clubs.length, 1)) * 0.62);
    const parts = grid(width, reach, y, mm);
    const onLine = line ? clubs.map((club) => along(line.points, club.length_mm)) : [];
    const points = onLine.flatMap((toe, at) => (toe === null ? [] : [`${x(at)} ${y(toe)}`]));
    if (points.length > 1) parts.push(svg("path", { d: `M${points.join("L")}`, class: "set-line" }));
    clubs.forEach((club, at) => {
      if (club.name === shown) {
        const column = width / clubs.length;
        parts.unshift(
          svg("rect", { x: at * column, y: 0, width: column, height, class: "column" }),
        );
      }
      parts.push(...clubParts(club, x(at), y, wide));
    });
    this._drawing.replaceChildren(...parts);
  }
}

/** Decided: left alone or to be bent; a tick alone would pass for "good". */
const decided = ({ settled, decision }) =>
  settled ? (decision.startsWith("bend") ? "∠ " : "✓ ") : "";

function clubParts(club, x, y, wide) {
  const wanted = y(club.wanted_mm);
  const parts = [
    svg("path", { d: `M${x - wide / 2} ${wanted}h${wide}`, class: "wanted-tick" }),
  ];
  const { contact } = club;
  if (!contact) return parts;
  const mean = y(contact.mean_mm);
  if (contact.low_mm !== null) {
    const [low, high] = [y(contact.low_mm), y(contact.high_mm)];
    const [left, across] = [x - SPREAD_PX / 2, SPREAD_PX];
    const shape = { x: left, y: high, width: across, height: low - high, class: "spread" };
    const ends = `M${left} ${high}h${across}M${left} ${low}h${across}`;
    parts.push(svg("rect", shape), svg("path", { d: ends, class: "spread-ends" }));
  }
  if (club.outlier_words) {
    parts.push(svg("path", { d: `M${x - 14} ${mean - 14}h28v28h-28z`, class: "off" }));
  }
  const sign = club.pivot
    ? { d: `M${x} ${mean - 8.5}l8.5 14h-17z` }
    : { d: `M${x} ${mean - 7.5}l7.5 7.5l-7.5 7.5l-7.5 -7.5z` };
  parts.push(svg("path", { ...sign, class: "club-mean" }));
  return parts;
}

function grid(width, reach, y, pxPerMm) {
  const parts = [];
  const step = [5, 10].find((mm) => mm * pxPerMm >= LEAST_GRID_PX) ?? 20;
  for (let toe = -Math.floor(reach / step) * step; toe <= reach; toe += step) {
    parts.push(
      svg("path", { d: `M0 ${y(toe)}H${width}`, class: toe === 0 ? "grid zero" : "grid" }),
    );
  }
  for (const [toe, words] of [
    [reach, "toe"],
    [-reach, "heel"],
  ]) {
    const element = svg("text", { x: 4, y: y(toe) + (toe > 0 ? -4 : 12), class: "grid-word" });
    text(element, `${words} ${roughLength(toe)}`);
    parts.push(element);
  }
  return parts;
}

function reachOf(clubs) {
  const ends = clubs.flatMap(({ contact, wanted_mm: wanted }) => [
    Math.abs(wanted),
    ...(contact ? [contact.mean_mm, contact.low_mm ?? 0, contact.high_mm ?? 0].map(Math.abs) : []),
  ]);
  // Beyond half a sole nothing needs to be told apart.
  return Math.min(40, Math.max(REACH_MM, 5 * Math.ceil(Math.max(0, ...ends) / 5)));
}

/** Height of the set's line at a length, between its points; null beyond them. */
export function along(points, length) {
  if (length === null) return null;
  for (let at = 0; at < points.length; at += 1) {
    const [to, toe] = points[at];
    if (to === length) return toe;
    if (to > length) {
      if (at === 0) return null;
      const [from, before] = points[at - 1];
      return before + ((toe - before) * (length - from)) / (to - from);
    }
  }
  return null;
}

function says(club, state) {
  const parts = [club.name];
  if (club.name === state.current_club) parts.push("is up");
  if (club.pivot) parts.push("pivot club");
  parts.push(`${club.used} used`);
  if (club.contact) parts.push(`mean contact ${lengthText(club.contact.mean_mm)}`, club.touched);
  if (club.used) parts.push(club.decision);
  if (club.outlier_words) parts.push(club.outlier_words);
  if (club.name === state.next?.club) parts.push("hit next");
  return parts.filter(Boolean).join(", ");
}
