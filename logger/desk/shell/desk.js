// What every view of the desk can do beyond its forms: keys, the light, drafts that outlive a reload,
// and parts that are fetched when they are worked out.

import { byId, text } from "./elements.js";

const label = () => {
  const dark = document.documentElement.dataset.light === "dark";
  text(byId("light"), dark ? "☀ Bright" : "☾ Dark");
};
byId("light").addEventListener("click", () => window.dispatchEvent(new Event("switch-light")));
window.addEventListener("light", label);
label();

const keys = byId("keys");
byId("keys-open").addEventListener("click", () => keys.showModal());

const PLACES = { t: "/", p: "/players", s: "/sessions", b: "/boards", d: "/data" };
let going = 0;

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  if (event.target.closest?.("input, textarea, select, dialog")) return;
  if (performance.now() - going < 3000 && event.key in PLACES) {
    window.location.assign(PLACES[event.key]);
    return;
  }
  going = event.key === "g" ? performance.now() : 0;
  const free = !event.target.closest?.("a, button, summary");
  const does = {
    u: () => document.querySelector(".said [name=act]")?.click(),
    m: () => document.querySelector("[name=units]")?.click(),
    l: () => byId("light").click(),
    "?": () => keys.showModal(),
    Enter: () => free && document.querySelector(".main-act")?.click(),
  }[event.key];
  does?.();
});

// -- what was typed outlives a reload, a crash and a server that was started again ---------------

const KEPT = "lieboard.draft:";

for (const form of document.querySelectorAll("form[data-draft]")) {
  const name = KEPT + form.dataset.draft;
  const fields = () => [...form.elements].filter((field) => field.name && field.type !== "hidden");
  try {
    const kept = JSON.parse(window.sessionStorage.getItem(name) ?? "null");
    if (kept && form.dataset.fresh === undefined) {
      for (const field of fields()) if (field.name in kept) field.value = kept[field.name];
      form.dispatchEvent(new Event("input"));
    }
    if (form.dataset.fresh !== undefined) window.sessionStorage.removeItem(name);
    form.addEventListener("input", () => {
      const typed = Object.fromEntries(fields().map((field) => [field.name, field.value]));
      window.sessionStorage.setItem(name, JSON.stringify(typed));
    });
  } catch {
    // Storage may be forbidden; then a reload forgets.
  }
}
for (const done of document.querySelectorAll("[data-draft-done]")) {
  try {
    window.sessionStorage.removeItem(KEPT + done.dataset.draftDone);
  } catch {
    // As above.
  }
}

// -- parts that take a moment ---------------------------------------------------------------------

for (const place of document.querySelectorAll("[data-later]")) {
  fetch(place.dataset.later, { headers: { Accept: "text/html" } })
    .then((answer) => (answer.ok ? answer.text() : ""))
    .then((markup) => {
      // Our own server's, which put in as text whatever a person typed.
      const made = new DOMParser().parseFromString(markup, "text/html");
      place.replaceChildren(...made.body.childNodes);
      place.removeAttribute("aria-busy");
    })
    .catch(() => place.removeAttribute("aria-busy"));
}

// -- a form that asks again at every change, in place: the focus stays where it is ------------------

let asking = null;

document.addEventListener("change", async (event) => {
  const form = event.target.form;
  if (form?.dataset.inPlace === undefined) return;
  const pairs = [...new FormData(form)].filter(([, value]) => value !== "");
  const query = new URLSearchParams(pairs).toString();
  const address = query ? `${form.action}?${query}` : form.action;
  asking?.abort();
  asking = new AbortController();
  const main = byId("main");
  main.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(address, { signal: asking.signal });
    const made = new DOMParser().parseFromString(await answer.text(), "text/html");
    const focus = document.activeElement?.id;
    main.replaceChildren(...made.getElementById("main").childNodes);
    if (focus) byId(focus)?.focus({ preventScroll: true });
    window.history.replaceState(null, "", address);
  } catch (error) {
    if (error.name !== "AbortError") window.location.assign(address);
  } finally {
    main.removeAttribute("aria-busy");
  }
});

// -- a view that is still being worked out: ask again --------------------------------------------------

if (document.querySelector("[data-working]")) setTimeout(() => window.location.reload(), 700);

// -- work that takes a while ------------------------------------------------------------------------

const poll = document.querySelector("[data-poll]");
const parts = new Map();

/** Put in what is another; a part that is as it was keeps its focus, and what is typed into it. */
function put(made) {
  for (const part of made.body.querySelectorAll("[data-part]")) {
    const name = part.dataset.part;
    const known = poll.querySelector(`[data-part="${name}"]`);
    const markup = part.outerHTML;
    if (known && parts.get(name) !== markup) {
      const focus = known.contains(document.activeElement);
      known.replaceWith(part);
      const next = part.querySelector("[autofocus]") ?? (focus ? part.querySelector("button, a") : null);
      next?.focus();
    }
    parts.set(name, markup);
  }
}

async function look() {
  try {
    const answer = await fetch(poll.dataset.poll, { cache: "no-store" });
    if (answer.ok) put(new DOMParser().parseFromString(await answer.text(), "text/html"));
    const on = poll.querySelector("[data-go]");
    if (on) window.location.replace(on.href);
    if (on || !poll.querySelector("[data-running]")) return;
  } catch (error) {
    if (!(error instanceof TypeError)) throw error;
  }
  setTimeout(look, 400);
}
if (poll) {
  for (const part of poll.querySelectorAll("[data-part]")) parts.set(part.dataset.part, part.outerHTML);
  setTimeout(look, 400);
}

// -- what changes by itself: the bays on Today ------------------------------------------------------

const again = document.querySelector("[data-again]");
if (again) {
  let shown = "";
  setInterval(async () => {
    if (document.hidden || again.contains(document.activeElement)) return;
    try {
      const answer = await fetch(again.dataset.again, { cache: "no-store" });
      const markup = answer.ok ? await answer.text() : shown;
      if (markup !== shown) {
        const made = new DOMParser().parseFromString(markup, "text/html");
        again.replaceChildren(...made.body.childNodes);
      }
      shown = markup;
    } catch (error) {
      if (!(error instanceof TypeError)) throw error;
    }
  }, 1500);
}
