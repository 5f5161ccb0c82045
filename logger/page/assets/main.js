// Puts the page together: events from the server change the model, and what changed is drawn in
// the next frame.

import { Acts } from "./act.js";
import { drawBoards, drawHints } from "./boards.js";
import { SetChart } from "./chart.js";
import { Dots } from "./dots.js";
import { byId, text } from "./elements.js";
import { Feed } from "./feed.js";
import { drawContact, drawLie, drawNext } from "./figures.js";
import { labelLight, listen } from "./keys.js";
import { StrikeList } from "./list.js";
import { Model } from "./model.js";
import { toeSign } from "./place.js";
import { Sole } from "./sole.js";
import { clockTime, counts, lengthText, side, strikeWords } from "./words.js";

export const model = new Model();
const dots = new Dots(byId("dots"));
const sole = new Sole(byId("outline"), byId("drawing"));
const say = (words) => text(byId("say"), words);
/** Where the session is: at the front door, or at a view of the desk. */
const base = document.documentElement.dataset.base;
export const acts = new Acts(`${base}/act`, answer);
const list = new StrikeList(byId("strikes"), turn);
const chart = new SetChart(byId("chart"), byId("clubs"), turnTo);

/** What has to be drawn in the next frame. */
const due = { state: false, redraw: false, added: [] };
const drawnParts = new Map();
let drawnClub;
let resizes = 0;
let asked = false;
let live = false;
let answerTimer;

const feed = new Feed(`${base}/events`, hear, tellLink);

function hear(kind, message) {
  if (kind === "state") {
    model.takeState(message);
    due.state = true;
  } else if (kind === "strikes") {
    const { added, redraw } = model.takeStrikes(message, model.shown);
    due.added.push(...added);
    due.redraw ||= redraw;
  }
  ask();
}


const strikes = () => model.strikesOf(model.shown);
const hand = () => model.state?.session?.hand ?? "right";
const soleWidth = () => model.club?.sole.width_mm ?? 22;

function ask() {
  if (asked) return;
  asked = true;
  requestAnimationFrame(() => {
    asked = false;
    draw();
  });
}

function draw() {
  const { state } = model;
  if (!state) return;
  const another = drawnClub !== model.shown;
  if (another) {
    drawnClub = model.shown;
    list.turnTo();
  }
  if (due.state || another) drawState(state);
  const all = strikes();
  const newest = all.at(-1) ?? null;
  const last = lastThatCounts(all);
  const fresh = due.added;
  if (dots.fit() || another || due.redraw) dots.draw(all, toeSign(hand()), soleWidth());
  else for (const strike of fresh) dots.add(strike, toeSign(hand()), soleWidth());
  if (another || due.state || due.redraw || fresh.length) {
    sole.mark(last, model.club, hand());
    drawContact(model.club, last, newest);
    list.draw(all, state.may_act && live);
  }
  if (fresh.length && !due.redraw) say(sayStrike(fresh.at(-1)));
  const none = byId("nothing");
  none.hidden = all.length > 0;
  text(none, model.shown === null ? "no club is up" : document.documentElement.dataset.empty || "no strike yet");
  // For whoever looks at the page from outside: all of this is now on screen.
  document.documentElement.dataset.drawn = `${state.revision}:${newest?.id ?? ""}`;
  Object.assign(due, { state: false, redraw: false, added: [] });
}

function drawState(state) {
  const { session } = state;
  text(byId("who"), session ? session.player : "lieboard");
  text(
    byId("session"),
    session
      ? [
          session.set_name,
          `${session.hand}-handed`,
          `session ${session.number}`,
        ]
          .filter(Boolean)
          .join(" · ")
      : "no session yet",
  );
  drawLink();
  document.title = session ? `${model.shown ?? "–"} · ${session.player}` : "lieboard";
  acts.allowed = state.may_act && live;
  document.documentElement.classList.toggle("looks-on", !state.may_act);
  const { club } = model;
  const name = byId("club");
  text(name, model.shown ?? "–");
  name.classList.toggle("long", (model.shown ?? "").length > 4);
  byId("club-pivot").hidden = !club?.pivot;
  const aside = session?.open && state.current_club !== null && model.shown !== state.current_club;
  byId("looking").hidden = !aside;
  text(byId("looking"), aside ? `looking on: ${state.current_club} is up` : "");
  document.documentElement.classList.toggle("working", !state.up_to_date);
  const { clubs, current_club: up, next, line, boards, hints } = state;
  part("sole", [club, hand()], () => sole.draw(club, hand()));
  const working = !state.up_to_date && strikes().length > 0;
  part("lie", [club, working && !club?.lie_error], () => drawLie(club, working));
  part("next", [clubs, up, next], () => drawNext(state));
  part("set", [clubs, up, next, line, model.shown, resizes], () => chart.draw(state, model.shown));
  part("boards", [boards], () => drawBoards(byId("boards"), boards));
  part("hints", [hints], () => drawHints(byId("hints"), hints));
  document.documentElement.classList.toggle("hinted", hints.length > 0);
}

/** Draw a part only if what it shows is another: most of a state stays as it was. */
function part(name, shows, drawIt) {
  const now = JSON.stringify(shows);
  if (drawnParts.get(name) === now) return;
  drawnParts.set(name, now);
  drawIt();
}

function sayStrike(strike) {
  const place =
    strike.toe_mm === null ? "no place" : `${lengthText(strike.toe_mm)} ${side(strike.toe_mm)}`;
  return [`strike ${strike.number}: ${place}`, strikeWords(strike)].filter(Boolean).join(", ");
}

/** Take back a strike that counts, bring in one that does not. */
function turn(strike) {
  acts.ask({ act: strike.used ? "set_aside" : "bring_in", strike: strike.id });
}

const STEPS = ["choose_club", "next_club", "previous_club"];

function answer(words, good, act) {
  // Which club is up is written large enough.
  if (good && STEPS.includes(act.act)) return;
  const place = byId("answer");
  clearTimeout(answerTimer);
  text(place, words);
  place.dataset.good = good;
  place.hidden = false;
  answerTimer = setTimeout(() => {
    place.hidden = true;
  }, 6000);
}

let lostAt = null;

/** One state of both: nobody is helped by "connected" beside a session that has ended. */
function drawLink() {
  const ended = live && model.state?.session && !model.state.session.open;
  byId("link").dataset.link = !live ? "lost" : ended ? "ended" : "up";
  text(byId("link-word"), !live ? "not connected" : ended ? "ended" : "connected");
}

function tellLink(link, why) {
  live = link === "up";
  document.documentElement.dataset.link = link;
  drawLink();
  const gone = byId("gone");
  if (live) {
    lostAt = null;
    gone.hidden = true;
  } else {
    lostAt ??= new Date();
    const held = model.state ? `Shown is what was known at ${clockTime(lostAt)}.` : "";
    const words = ["Not connected.", why && `${why}.`, held, "Trying again."];
    text(gone, words.filter(Boolean).join(" "));
    gone.hidden = false;
  }
  acts.allowed = live && Boolean(model.state?.may_act);
  due.state = true;
  ask();
}

/** The newest that counts, for a foot or a bounce may follow it; else the newest. */
const lastThatCounts = (all) => all.findLast(counts) ?? all.at(-1) ?? null;

/** May this viewer say which club is up? */
const leads = () => acts.allowed && Boolean(model.state?.session?.open);

/** Make a club the one that is up; for who may not, or after the session, only look at it. */
function turnTo(club) {
  if (leads() && club !== model.state.current_club) {
    acts.ask({ act: "choose_club", club });
    return;
  }
  model.lookedAt = club === model.state?.current_club ? null : club;
  due.state = true;
  ask();
}

function step(places) {
  return () => {
    if (leads()) acts.ask({ act: places > 0 ? "next_club" : "previous_club" });
    else turnTo(model.neighbour(places));
  };
}

byId("previous").addEventListener("click", step(-1));
byId("following").addEventListener("click", step(1));
byId("light").addEventListener("click", switchLight);
byId("drawing").addEventListener("click", (event) => {
  const { clientX, clientY } = event;
  const hit = dots.nearest(strikes(), toeSign(hand()), soleWidth(), clientX, clientY);
  if (hit) list.show(hit);
});

function switchLight() {
  window.dispatchEvent(new Event("switch-light"));
}

window.addEventListener("light", () => {
  labelLight();
  dots.forgetColours();
  due.redraw = true;
  ask();
});

const resized = new ResizeObserver(() => {
  resizes += 1;
  due.state = true;
  ask();
});
for (const place of [byId("dots"), byId("chart")]) resized.observe(place);

const note = byId("note");
byId("note-form").addEventListener("submit", () => {
  const words = byId("note-text").value.trim();
  if (words) acts.ask({ act: "note", text: words });
  byId("note-text").value = "";
});
byId("note-open").addEventListener("click", () => note.showModal());
byId("note-close").addEventListener("click", () => note.close());

listen({
  next: step(1),
  previous: step(-1),
  back: () => acts.ask({ act: "take_back" }),
  turn: () => {
    const last = strikes().at(-1);
    if (last) turn(last);
  },
  note: () => {
    if (acts.allowed) note.showModal();
  },
  light: switchLight,
});
labelLight();
feed.run();
