// The strikes of one club on a canvas: thousands stay cheap, and a new one costs one stamp.

import { Box } from "./elements.js";
import { VIEW, across, along } from "./place.js";
import { counts } from "./words.js";

const RADIUS_MM = 1.25;

export class Dots {
  constructor(canvas) {
    this._canvas = canvas;
    this._pen = canvas.getContext("2d");
    this._stamps = null;
    this._pxPerMm = 0;
    this._box = new Box(canvas);
  }

  /** Fit the canvas to its place on the page; true if that changed it. */
  fit() {
    const box = this._box;
    const dense = window.devicePixelRatio || 1;
    const [width, height] = [Math.round(box.width * dense), Math.round(box.height * dense)];
    if (width === this._canvas.width && height === this._canvas.height && this._stamps) return false;
    [this._canvas.width, this._canvas.height] = [width, height];
    this._pxPerMm = width / VIEW.width;
    this._stamps = null;
    return true;
  }

  /** Colours changed with the light. */
  forgetColours() {
    this._stamps = null;
  }

  draw(strikes, sign, soleWidthMm) {
    this._pen.clearRect(0, 0, this._canvas.width, this._canvas.height);
    for (const strike of strikes) this.add(strike, sign, soleWidthMm);
  }

  add(strike, sign, soleWidthMm) {
    if (strike.toe_mm === null || !this._pxPerMm) return;
    this._stamps ??= this._cutStamps();
    const { x, beyond } = along(strike.toe_mm, sign);
    const kind = !counts(strike) ? "aside" : strike.source === "mark" ? "mark" : "used";
    const stamp = this._stamps[kind + (beyond ? (beyond > 0 ? "Right" : "Left") : "")];
    const left = (x - VIEW.left) * this._pxPerMm - stamp.width / 2;
    const top = (across(strike, soleWidthMm) - VIEW.top) * this._pxPerMm - stamp.height / 2;
    this._pen.drawImage(stamp, Math.round(left), Math.round(top));
  }

  /** The strike nearest to a place on the page, within reach of a finger; or null. */
  nearest(strikes, sign, soleWidthMm, clientX, clientY, reachPx = 26) {
    const box = this._canvas.getBoundingClientRect();
    const mm = VIEW.width / box.width;
    const [x, y] = [VIEW.left + (clientX - box.left) * mm, VIEW.top + (clientY - box.top) * mm];
    let [best, least] = [null, reachPx * mm];
    for (const strike of strikes) {
      if (strike.toe_mm === null) continue;
      const away = Math.hypot(
        along(strike.toe_mm, sign).x - x,
        across(strike, soleWidthMm) - y,
      );
      // Of those that lie together the newest is on top.
      if (away <= least) [best, least] = [strike, away];
    }
    return best;
  }

  _cutStamps() {
    const style = getComputedStyle(this._canvas);
    const colour = (name) => style.getPropertyValue(`--${name}`).trim();
    const r = RADIUS_MM * this._pxPerMm;
    const stamp = (draw) => {
      const piece = document.createElement("canvas");
      piece.width = piece.height = Math.ceil(4 * r);
      const pen = piece.getContext("2d");
      pen.translate(piece.width / 2, piece.height / 2);
      draw(pen);
      return piece;
    };
    const disc = (pen) => {
      pen.beginPath();
      pen.arc(0, 0, r, 0, 2 * Math.PI);
      pen.fillStyle = colour("blue");
      pen.fill();
      pen.lineWidth = r / 4;
      pen.strokeStyle = colour("paper");
      pen.stroke();
    };
    const cross = (pen) => {
      pen.beginPath();
      // Smaller than what counts: waggles and bounces are many.
      const a = 0.6 * r;
      for (const [x, y] of [[-a, -a], [-a, a]]) {
        pen.moveTo(x, y);
        pen.lineTo(-x, -y);
      }
      pen.lineWidth = r / 2.6;
      pen.lineCap = "round";
      pen.strokeStyle = colour("grey");
      pen.stroke();
    };
    const arrow = (pen, to) => {
      pen.beginPath();
      pen.moveTo(to * 1.9 * r, 0);
      pen.lineTo(to * 1.1 * r, -0.8 * r);
      pen.lineTo(to * 1.1 * r, 0.8 * r);
      pen.fillStyle = colour("ink");
      pen.fill();
    };
    // Read off the sole by eye.
    const square = (pen) => {
      const a = 0.85 * r;
      pen.fillStyle = colour("paper");
      pen.fillRect(-a, -a, 2 * a, 2 * a);
      pen.lineWidth = r / 2.6;
      pen.strokeStyle = colour("blue");
      pen.strokeRect(-a, -a, 2 * a, 2 * a);
    };
    const stamps = {};
    for (const [kind, draw] of Object.entries({ used: disc, aside: cross, mark: square })) {
      stamps[kind] = stamp(draw);
      stamps[`${kind}Left`] = stamp((pen) => [draw(pen), arrow(pen, -1)]);
      stamps[`${kind}Right`] = stamp((pen) => [draw(pen), arrow(pen, 1)]);
    }
    return stamps;
  }
}
