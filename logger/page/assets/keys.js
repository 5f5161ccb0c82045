// Keys and pedals. A USB pedal types page or arrow keys as a rule, so those step the clubs.

import { byId, html, text } from "./elements.js";

const KEPT_AS = "lieboard.keys";

const KEYS = [
  { keys: ["n", "ArrowRight", "PageDown"], shown: "n, →, Page Down", what: "next club", act: "next" },
  { keys: ["p", "ArrowLeft", "PageUp"], shown: "p, ←, Page Up", what: "previous club", act: "previous" },
  { keys: ["b"], shown: "b", what: "take back the last strike that counts", act: "back" },
  { keys: ["x"], shown: "x", what: "last strike: set aside, or bring in", act: "turn" },
  { keys: ["t"], shown: "t", what: "write a note", act: "note" },
  { keys: ["d"], shown: "d", what: "bright or dark", act: "light" },
  { keys: ["?", "h"], shown: "?, h", what: "show these keys", act: "help" },
];

/** @param {Record<string, () => void>} does what each act does */
export function listen(does) {
  const table = byId("keys-rows");
  for (const { shown, what } of KEYS) {
    table.append(html("tr", {}, html("th", { scope: "row" }, shown), html("td", {}, what)));
  }
  const on = byId("keys-on");
  on.checked = recall() !== "off";
  on.addEventListener("change", () => keep(on.checked ? "on" : "off"));
  document.addEventListener("keydown", (event) => {
    if (!on.checked || event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.target.closest?.("input, dialog")) return;
    const found = KEYS.find(({ keys }) => keys.includes(event.key));
    if (!found) return;
    event.preventDefault();
    // A pedal held down steps once.
    if (!event.repeat) does[found.act]();
  });
  const help = byId("keys");
  byId("keys-open").addEventListener("click", () => help.showModal());
  does.help = () => help.showModal();
}

/** Says on its button what the light can be switched to. */
export function labelLight() {
  const dark = document.documentElement.dataset.light === "dark";
  text(byId("light"), dark ? "☀ Bright" : "☾ Dark");
}

function recall() {
  try {
    return window.localStorage.getItem(KEPT_AS);
  } catch {
    return null;
  }
}

function keep(value) {
  try {
    window.localStorage.setItem(KEPT_AS, value);
  } catch {
    // Storage may be forbidden; then the choice lasts as long as the page.
  }
}
