// What the desk adds to the live page: marks by tap, the board's questions, the way back.

import { byId, text } from "./elements.js";
import { acts, model } from "./main.js";
import { VIEW, toeSign } from "./place.js";

const root = document.documentElement;

// -- marks by tap -----------------------------------------------------------------------------------

const button = byId("marking");
let chosen = null;

/** Is there no board at all? Then a tap on the sole can only be a mark. */
const boardless = () => Boolean(model.state) && !model.state.boards.length;
const may = () => acts.allowed && Boolean(model.state?.session?.open) && model.shown !== null;
const marking = () => may() && (chosen ?? boardless());

function show() {
  const open = model.state?.session?.open ?? true;
  byId("end").hidden = !open;
  byId("resume").hidden = open;
  button.hidden = !may();
  button.setAttribute("aria-pressed", `${marking()}`);
  root.classList.toggle("marking", marking());
  root.dataset.empty = marking() ? "tap where the mark is" : "";
}

button.addEventListener("click", () => {
  chosen = !marking();
  show();
});

byId("drawing").addEventListener(
  "click",
  async (event) => {
    if (!marking()) return;
    event.stopImmediatePropagation();
    const box = byId("drawing").getBoundingClientRect();
    const mm = VIEW.width / box.width;
    const sign = toeSign(model.state.session.hand);
    const toe = sign * (VIEW.left + (event.clientX - box.left) * mm);
    const trail = -(VIEW.top + (event.clientY - box.top) * mm);
    const half = (model.club?.sole.width_mm ?? 22) / 2;
    await acts.ask({
      act: "mark",
      club: model.shown,
      toe_mm: Number(toe.toFixed(1)),
      trail_mm: Number(Math.max(-half, Math.min(half, trail)).toFixed(1)),
    });
    await offerUndo();
  },
  { capture: true },
);

// -- the way back -------------------------------------------------------------------------------------

const bar = byId("said");

async function offerUndo() {
  const answer = await fetch("/said", { cache: "no-store" });
  const { words, act } = answer.ok ? await answer.json() : {};
  bar.hidden = !act || !acts.allowed;
  bar.dataset.act = act ?? "";
  text(byId("said-words"), words ?? "");
  if (act) byId("answer").hidden = true;
}

byId("said-undo").addEventListener("click", async () => {
  bar.hidden = true;
  const body = new URLSearchParams({ act: bar.dataset.act, back: "/said" });
  await fetch("/undo", { method: "POST", body });
});
byId("said-hide").addEventListener("click", () => {
  bar.hidden = true;
});

// -- the board's questions ----------------------------------------------------------------------------

const bay = byId("bay");
let asked = "";

async function askBay() {
  if (document.hidden) return;
  try {
    const answer = await fetch(bay.dataset.from, { cache: "no-store" });
    const markup = answer.ok ? await answer.text() : "";
    if (markup === asked) return;
    asked = markup;
    // Our own server's, which put in as text whatever a board or a person said.
    const made = new DOMParser().parseFromString(markup, "text/html");
    bay.replaceChildren(...made.body.childNodes);
    bay.classList.toggle("asks", bay.childElementCount > 0);
  } catch (error) {
    if (!(error instanceof TypeError)) throw error;
  }
}

setInterval(askBay, 1500);
setInterval(show, 250);
askBay();

