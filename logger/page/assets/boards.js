// How the boards are doing, one line each.

import { html, text } from "./elements.js";

const LINKS = {
  up: ["●", "connected"],
  "out of reach": ["◌", "out of reach"],
  ended: ["■", "ended"],
  unknown: ["?", "not known"],
};
const LOW_PERCENT = 20;

export function drawBoards(list, boards) {
  if (!boards.length) {
    list.replaceChildren(html("li", { class: "soft" }, "no board yet"));
    return;
  }
  list.replaceChildren(...boards.map(row));
}

function row(board) {
  const [sign, words] = LINKS[board.link] ?? LINKS.unknown;
  const known = board.link === "unknown" ? "" : words;
  const link = [known, board.link_words].filter(Boolean).join(", ") || words;
  const fact = (what, kind = "fact") => html("span", { class: kind }, what);
  const parts = [
    fact(board.board, "board-name"),
    fact(`${sign} ${link}`, `fact on-${sign}`),
    ...battery(board),
  ];
  if (board.kept) parts.push(fact(`${board.kept} kept on the board`));
  parts.push(fact(`${board.lost} lost`, board.lost ? "fact warn" : "fact"));
  if (board.clock_u_ms !== null) parts.push(fact(`clock ± ${fine(board.clock_u_ms)} ms`));
  const element = html("li", {}, ...parts);
  element.dataset.link = board.link;
  return element;
}

function battery(board) {
  const { battery_percent: percent, battery_volts: volts } = board;
  if (percent === null && volts === null) return [];
  const words = [];
  if (percent !== null) words.push(`${Math.round(percent)} %`);
  if (volts !== null) words.push(`${volts.toFixed(1)} V`);
  const low = percent !== null && percent < LOW_PERCENT;
  return [
    html("span", { class: low ? "fact warn" : "fact" }, `battery ${low ? "low, " : ""}${words.join(", ")}`),
  ];
}

const fine = (value) => (value < 10 ? value.toFixed(1) : Math.round(value).toString());

export function drawHints(list, hints) {
  list.replaceChildren(
    ...hints.map((hint) => {
      const element = html("li");
      text(element, hint);
      return element;
    }),
  );
}
