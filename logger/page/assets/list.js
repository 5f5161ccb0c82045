// The strikes of the club that is up, newest first, each with a button to take it back or bring it in.

import { html, set, text } from "./elements.js";
import { counts, lengthText, side, strikeWords } from "./words.js";

/** Rows shown at once; a button shows as many more. A thousand rows would make the page slow. */
const PAGE = 30;

export class StrikeList {
  /** @param {(strike: object) => void} turn is asked to turn a strike over */
  constructor(list, turn) {
    this._list = list;
    this._turn = turn;
    this._strikes = [];
    this._shown = PAGE;
    this._rows = new Map();
    this._mayAct = false;
    this._more = html("button", { type: "button", class: "act more" });
    this._more.addEventListener("click", () => {
      this._shown += PAGE;
      this.draw(this._strikes, this._mayAct);
    });
  }

  /** Another club: begin anew at its newest strikes. */
  turnTo() {
    this._shown = PAGE;
    this._rows.clear();
  }

  draw(strikes, mayAct) {
    this._strikes = strikes;
    this._mayAct = mayAct;
    const first = Math.max(0, strikes.length - this._shown);
    const rows = [];
    const kept = new Map();
    for (let at = strikes.length - 1; at >= first; at -= 1) {
      const strike = strikes[at];
      const row = this._rows.get(strike.id) ?? this._row();
      this._fill(row, strike, mayAct);
      kept.set(strike.id, row);
      rows.push(row.element);
    }
    this._rows = kept;
    if (first > 0) {
      text(this._more, `${first} older`);
      rows.push(html("li", { class: "older" }, this._more));
    }
    place(this._list, rows);
  }

  /** Bring a strike's row into view and put the focus on it. */
  show(strike) {
    const fromEnd = this._strikes.length - this._strikes.indexOf(strike);
    if (fromEnd > this._shown) {
      this._shown = Math.ceil(fromEnd / PAGE) * PAGE;
      this.draw(this._strikes, this._mayAct);
    }
    const row = this._rows.get(strike.id);
    row?.element.scrollIntoView({ block: "nearest" });
    (row?.button.hidden ? row.element : row?.button)?.focus();
  }

  _row() {
    const row = {
      sign: html("span", { class: "sign", "aria-hidden": "true" }),
      number: html("span", { class: "number" }),
      place: html("span", { class: "place" }),
      why: html("span", { class: "reason" }),
      button: html("button", { type: "button", class: "act small" }),
      strike: null,
    };
    row.element = html(
      "li",
      { tabindex: "-1" },
      row.sign,
      row.number,
      row.place,
      row.why,
      row.button,
    );
    row.button.addEventListener("click", () => this._turn(row.strike));
    return row;
  }

  _fill(row, strike, mayAct) {
    if (row.strike === strike && row.button.hidden === !mayAct) return;
    row.strike = strike;
    row.sign.dataset.sign = counts(strike) ? (strike.source === "mark" ? "mark" : "used") : "aside";
    text(row.number, `${strike.number}`);
    const { toe_mm: toe } = strike;
    text(row.place, toe === null ? "no place" : `${lengthText(toe)} ${side(toe)}`);
    text(row.why, strikeWords(strike));
    const bare = strikeWords(strike) === "";
    set(row.element, { class: `${counts(strike) ? "used" : "aside"}${bare ? " bare" : ""}` });
    const what = strike.used ? "take back" : "bring in";
    text(row.button, what);
    set(row.button, { "aria-label": `${what} strike ${strike.number}` });
    row.button.hidden = !mayAct;
  }
}

/** Make these the children, moving as few as possible: what has the focus keeps it. */
function place(list, wanted) {
  const keep = new Set(wanted);
  for (const child of [...list.children]) if (!keep.has(child)) child.remove();
  wanted.forEach((element, at) => {
    if (list.children[at] !== element) list.insertBefore(element, list.children[at] ?? null);
  });
}
