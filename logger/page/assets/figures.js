// The figures beside the sole: contact, lie error with its interval, decision, and what to hit next.

import { byId, set, svg, text } from "./elements.js";
import {
  LENGTH_UNIT,
  counts,
  degrees,
  lengthText,
  lengthNumber,
  side,
  strikeWords,
  way,
} from "./words.js";

/** The lie scale reaches this far to both sides, or further if the interval does. */
const SCALE_DEG = 3;
const SCALE = { width: 100, top: 1.6, height: 14.2, from: 4, to: 96 };

/** `last` is the last that counts, `newest` whatever came last. */
export function drawContact(club, last, newest) {
  place("last", last ? last.toe_mm : null, Boolean(last));
  const why = last ? [`no. ${last.number}`, strikeWords(last)].filter(Boolean).join(", ") : "";
  const after = newest && newest !== last ? `; then ${strikeWords(newest)}` : "";
  text(byId("last-why"), why + after);
  byId("last").classList.toggle("void", Boolean(last) && !counts(last));
  const contact = club?.contact ?? null;
  place("mean", contact ? contact.mean_mm : null, false);
  const interval = contact !== null && contact.low_mm !== null;
  text(
    byId("mean-interval"),
    interval ? `90 %: ${lengthNumber(contact.low_mm)} to ${lengthNumber(contact.high_mm)}` : "",
  );
  text(byId("wanted"), club ? (club.wanted_mm ? lengthText(club.wanted_mm) : "middle") : "–");
  text(byId("used"), `${club?.used ?? 0}`);
  text(byId("aside"), `${club?.set_aside ?? 0}` + (club?.lost ? ` + ${club.lost} lost` : ""));
}

function place(name, mm, unread) {
  text(byId(name), mm === null ? (unread ? "no place" : "–") : lengthNumber(mm));
  text(byId(`${name}-way`), mm === null ? "" : `${LENGTH_UNIT} ${side(mm)}`);
}

/** Without a lie error, `working` says that one may be on its way. */
export function drawLie(club, working) {
  const lie = club?.lie_error ?? null;
  text(byId("lie"), lie ? degrees(lie.deg) : "–");
  text(byId("lie-way"), lie ? way(lie.deg) : "");
  const none = working ? "being worked out" : "no strike counts yet";
  text(
    byId("lie-interval"),
    lie ? `90 %: ${degrees(lie.low_deg)} to ${degrees(lie.high_deg)}` : none,
  );
  drawScale(lie, club);
  const decision = byId("decision");
  decision.hidden = !club?.used;
  decision.dataset.settled = `${Boolean(club?.settled)}`;
  decision.classList.toggle("long", (club?.decision.length ?? 0) > 18);
  text(decision, club?.decision ?? "");
  const facts = [
    club?.touched !== "not clear" && club?.touched,
    club?.tends,
    club?.outlier_words,
    club?.level_by && `level: ${club.level_by}`,
  ];
  text(byId("level"), facts.filter(Boolean).join(" · "));
}

function drawScale(lie, club) {
  const scale = byId("lie-scale");
  const far = lie ? Math.max(Math.abs(lie.low_deg), Math.abs(lie.high_deg)) : 0;
  const reach = Math.max(SCALE_DEG, Math.ceil(far));
  const middle = (SCALE.from + SCALE.to) / 2;
  const x = (deg) => middle + (deg / reach) * (SCALE.to - middle);
  const words = (at, y, what, anchor) => {
    const element = svg("text", { x: at, y, "text-anchor": anchor });
    text(element, what);
    return element;
  };
  const ticks = [];
  const step = reach > 6 ? 2 : 1;
  for (let deg = -reach; deg <= reach; deg += step) ticks.push(`M${x(deg)} 6v${deg ? 1.6 : 4}`);
  const parts = [
    svg("path", { d: `M${SCALE.from} 6H${SCALE.to}${ticks.join("")}`, class: "ruler" }),
    words(SCALE.from, 13.8, `flat −${reach}°`, "start"),
    words(middle, 13.8, "0", "middle"),
    words(SCALE.to, 13.8, `+${reach}° upright`, "end"),
  ];
  if (club?.wanted_deg) {
    const at = x(club.wanted_deg);
    parts.push(svg("path", { d: `M${at} 2.4V9.6`, class: "wanted" }));
  }
  if (lie) {
    const at = x(lie.deg);
    parts.push(
      svg("rect", {
        x: x(lie.low_deg),
        y: 3.4,
        width: x(lie.high_deg) - x(lie.low_deg),
        height: 5.2,
        class: "lie-band",
      }),
      svg("path", { d: `M${at} 2.6l3 3.4l-3 3.4l-3 -3.4z`, class: "mean-sign" }),
    );
  }
  scale.replaceChildren(...parts);
  set(scale, {
    viewBox: `0 ${SCALE.top} ${SCALE.width} ${SCALE.height}`,
    "aria-label": [club?.lie_words || "no lie error yet", club?.wanted_words]
      .filter(Boolean)
      .join("; "),
  });
}

export function drawNext(state) {
  const { next } = state;
  const name = byId("next");
  if (!next) {
    const first = state.clubs.find((club) => club.pivot)?.name ?? state.current_club ?? "–";
    text(name, first);
    name.classList.remove("enough");
    name.classList.toggle("long", first.length > 3);
    text(byId("next-why"), "checking starts at the pivot club");
    return;
  }
  text(name, next.club === null ? "✓ stop" : next.club);
  name.classList.toggle("enough", next.club === null);
  name.classList.toggle("long", (next.club?.length ?? 6) > 3);
  text(byId("next-why"), next.why);
}
