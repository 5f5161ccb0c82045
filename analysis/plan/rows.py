"""Rows of the bend sheet: what each bend does, and why it is that one or none."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import (
    NORMAL_90,
    lie_error_from_toe,
    lie_word,
    sure_words,
    toe_from_lie_error,
)
from analysis.lie.belief import Belief
from analysis.plan.bounce import loft_bend
from analysis.plan.chances import Chances, evidence_allows, head_allows
from analysis.plan.decision import Outlook, decide
from analysis.plan.heads import Head, head_room_deg, pulls_deg
from analysis.plan.types import (
    Choice,
    Decision,
    PairStep,
    PlanClub,
    PlanRow,
    PlanRules,
    Reason,
    SetPlan,
)
from analysis.statistics.estimation import Interval


@dataclass(frozen=True)
class Picture:
    """A solved plan with everything that led to it."""

    clubs: tuple[PlanClub, ...]
    belief: Belief
    table: Chances
    choice: NDArray[np.intp]
    """(n,): place of each club's bend among the table's."""
    order: Sequence[int]
    """Places of the clubs along the set, longest first."""
    rules: PlanRules
    steps: Mapping[int, tuple[float, float | None]]
    """Rise of the static lie to the next shorter club with its doubt, by place in ``order``."""
    outlooks: Sequence[Outlook] | None = None
    gaps: bool = False
    """Whether the belief is of how far the clubs stand off the set's line."""

    def bend(self, i: int) -> float:
        """Bend of club i, degrees."""
        return float(self.table.bends[self.choice[i]])


def make_rows(picture: Picture) -> tuple[PlanRow, ...]:
    """All rows, in the order the clubs were given."""
    return tuple(_row(picture, i) for i in range(len(picture.clubs)))


def _row(picture: Picture, i: int) -> PlanRow:
    club, table, rules = picture.clubs[i], picture.table, picture.rules
    k = int(picture.choice[i])
    bend = picture.bend(i)
    mean, sd = float(picture.belief.mean[i]), float(picture.belief.sd[i])
    free = _cheapest(table, i, np.ones(table.bends.size, dtype=bool))
    reason, wish = _reason(picture, i, free)
    decision = decide(
        table,
        club,
        i,
        picture.belief,
        rules,
        bend,
        reason,
        None if picture.outlooks is None else picture.outlooks[i],
    )
    before_m, after_m = _miss(picture, i, bend)
    contact = None
    if club.toe_mm is not None and club.camber_mm is not None:
        touched = float(lie_error_from_toe(club.toe_mm, club.camber_mm))
        contact = float(toe_from_lie_error(touched + bend, club.camber_mm))
    elif bend == 0:
        contact = club.toe_mm
    loft = loft_bend(
        club.loft_change_deg,
        loft_deg=club.loft_deg,
        bounce_deg=club.bounce_deg,
        contact_mm=club.trail_mm or 0.0,
    )
    return PlanRow(
        label=club.label,
        bend_deg=bend,
        error_before_deg=mean,
        u_before_deg=sd,
        interval_deg=Interval(
            picture.belief.quantile(i, 0.05), picture.belief.quantile(i, 0.95), 0.90
        ),
        error_after_deg=mean + bend,
        u_after_deg=math.hypot(sd, rules.u_machine_deg if bend else 0.0),
        wanted_deg=float(table.wanted[i]),
        free_deg=float(table.bends[free]),
        static_before_deg=club.lie_deg,
        static_after_deg=None if club.lie_deg is None else club.lie_deg + bend,
        contact_before_mm=club.toe_mm,
        contact_after_mm=contact,
        miss_before_m=before_m,
        miss_after_m=after_m,
        aside_before_m=None if club.metres_per_deg is None else club.metres_per_deg * mean,
        aside_after_m=None if club.metres_per_deg is None else club.metres_per_deg * (mean + bend),
        p_better=float(table.p_better[i, k]) if bend else None,
        p_worse=float(table.p_worse[i, k]) if bend else None,
        p_free=float(table.p_better[i, free]) if table.bends[free] else None,
        steps=_steps(picture, i),
        loft_change_deg=club.loft_change_deg,
        loft_after_deg=loft.loft_after_deg,
        bounce_before_deg=club.bounce_deg,
        bounce_after_deg=loft.bounce_after_deg,
        loft_words=loft.words if club.loft_change_deg else "",
        decision=decision,
        reason=reason,
        why=_why(picture, i, free, reason, wish, decision),
        pulls_deg=pulls_deg(bend, rules.limits[club.head].step_deg, rules.increment_deg),
    )


def _cheapest(table: Chances, i: int, allowed: NDArray[np.bool_]) -> int:
    """Cheapest of the allowed bends of one club, the smaller of equal ones."""
    cost = table.loss[i] + table.charge[i] * (table.bends != 0)
    cost = np.where(allowed, cost + 1e-9 * table.weight[i] ** 2 * np.abs(table.bends), np.inf)
    return int(np.argmin(cost))


def _reason(picture: Picture, i: int, free: int) -> tuple[Reason, str]:
    """Which limit, in the order a fitter asks for them, first changed the bend; a wish in words."""
    club, table, rules = picture.clubs[i], picture.table, picture.rules
    grid, chosen = table.bends, int(picture.choice[i])
    if club.must_bend_deg is not None:
        return Reason.WISH, "the fitter insists on this bend"
    if club.must_bend:
        return Reason.WISH, "the fitter insists on a bend"
    if chosen == free:
        if grid[chosen] != 0:
            return Reason.NOTHING, ""
        off = abs(float(table.off[i]))
        small = off < rules.increment_deg / 2 and off > rules.charge_deg
        return (Reason.INCREMENT if small else Reason.GOOD_ENOUGH), ""
    if club.locked:
        return Reason.LOCKED, ""
    allowed = head_allows(table, club, rules)
    after_head = after_most = _cheapest(table, i, allowed)
    if club.most_bend_deg is not None:
        allowed = allowed & (np.abs(grid) <= club.most_bend_deg + 1e-9)
        after_most = _cheapest(table, i, allowed)
    carried = allowed & evidence_allows(table, picture.clubs, rules)[i]
    after_evidence = _cheapest(table, i, carried)
    if chosen != after_evidence:
        if club.within_deg is not None:
            return Reason.WISH, f"the fitter insists on ending within {club.within_deg:g}°"
        return Reason.STEPS, ""
    if after_evidence != after_most:
        return Reason.EVIDENCE, ""
    if after_most != after_head:
        return Reason.WISH, f"the fitter wants it bent {club.most_bend_deg:g}° at most"
    return Reason.HEAD, ""


def _miss(picture: Picture, i: int, bend: float) -> tuple[float | None, float | None]:
    club, table = picture.clubs[i], picture.table
    if club.metres_per_deg is None:
        return None, None
    wanted = float(table.wanted[i])
    both = picture.belief.mean_abs(i, np.array([-wanted, bend - wanted]))
    return float(table.weight[i] * both[0]), float(table.weight[i] * both[1])


def _steps(picture: Picture, i: int) -> tuple[PairStep, ...]:
    order = list(picture.order)
    at = order.index(i)
    out = []
    for longer, other in ((at - 1, at - 1), (at, at + 1)):
        if longer not in picture.steps:
            continue
        before, u = picture.steps[longer]
        after = before + picture.bend(order[longer + 1]) - picture.bend(order[longer])
        out.append(PairStep(picture.clubs[order[other]].label, before, after, u))
    return tuple(out)


def _why(
    picture: Picture, i: int, free: int, reason: Reason, insists: str, decision: Decision
) -> str:
    """One line: what was found and what decided."""
    club, table, rules = picture.clubs[i], picture.table, picture.rules
    off, sd = float(table.off[i]), float(picture.belief.sd[i])
    bend, wish = picture.bend(i), float(table.bends[free])
    doubt = f"{abs(off):.1f}° ± {NORMAL_90 * sd:.1f}°"
    if abs(off) < 0.05:
        found = f"{'on the line of the set' if picture.gaps else 'square'} ± {NORMAL_90 * sd:.1f}°"
    elif picture.gaps:
        way = "more upright" if off > 0 else "flatter"
        found = f"{doubt} {way} than the line of the set"
    else:
        against = "" if table.wanted[i] == 0 else " against what is wanted"
        found = f"{doubt} too {lie_word(off)}{against}"
    if decision.choice is Choice.NOT_HIT:
        return f"not hit; by the others it would be {found}"
    if decision.choice is Choice.CANNOT_TELL:
        needs = " and ".join(one.value for one in decision.settles)
        outlook = None if picture.outlooks is None else picture.outlooks[i]
        if outlook is not None and not outlook.claimed:
            return f"{found}; the level is not known: {needs}"
        return f"{found}; more swings will not settle it: {needs}"
    k = int(picture.choice[i])
    does = ""
    if bend:
        done = f"{abs(bend):g}° {lie_word(bend)}"
        does = f"{done} brings it nearer with {sure_words(float(table.p_better[i, k]))}"
    if reason is Reason.LOCKED:
        return f"{found}, but locked by the fitter"
    if reason is Reason.WISH:
        return f"{found}: {insists}{'; ' + does if does else ''}"
    if decision.choice is Choice.HIT:
        return _hit_more(picture, i, free, found, decision)
    if reason is Reason.NOTHING:
        return f"{found}: {does}"
    tail = does or "leave it"
    if club.head is Head.HARD_OR_UNKNOWN and not does:
        tail = "write the material into the set if it is forged or cast, else leave it"
    if reason is Reason.HEAD:
        room = head_room_deg(club, rules)
        kind = f"this {club.head.value} head has {round(room, 2):g}° left to bend"
        if club.loft_change_deg:
            kind += f", {abs(club.loft_change_deg):g}° of it for the loft"
        return f"{found} and {abs(wish):g}° {lie_word(wish)} asked for, but {kind}: {tail}"
    if reason is Reason.STEPS:
        return (
            f"{found}: alone it would be bent otherwise, but its steps to its neighbours allow no "
            f"more: {tail}"
        )
    if bend:
        return f"{found}: {does}, surer than {abs(wish):g}° {lie_word(wish)}"
    if reason is Reason.INCREMENT:
        return f"{found}: less than half the machine's {rules.increment_deg:g}°; leave it"
    if reason is Reason.GOOD_ENOUGH:
        return f"{found}: less than a bend is worth; leave it"
    return f"{found}, {_not_sure(picture, i, free)}; leave it"


def _hit_more(picture: Picture, i: int, free: int, found: str, decision: Decision) -> str:
    club, table, rules = picture.clubs[i], picture.table, picture.rules
    more = decision.more_swings
    then = f"{more} more {'swing' if more == 1 else 'swings'} should decide it"
    if club.strikes < rules.fewest_strikes:
        had = "one strike" if club.strikes == 1 else f"{club.strikes} strikes"
        return f"{found}, on {had} of its own: {then}"
    if not table.bends[free]:
        return f"{found}, not sure enough to leave it for good: {then}"
    return f"{found}, {_not_sure(picture, i, free)}; {then}"


def _not_sure(picture: Picture, i: int, free: int) -> str:
    """Say what the evidence lacks for the bend that the mean asks for."""
    table, rules = picture.table, picture.rules
    wish, p = float(table.bends[free]), 100 * float(table.p_better[i, free])
    gap = f"brings it nearer with only {p:.0f} %"
    if p >= 100 * rules.p_needed:
        p = 100 * float(table.p_worse[i, free])
        gap = f"makes it worse by over {rules.worse_deg:g}° with {p:.0f} %"
    return f"not sure enough: {abs(wish):g}° {lie_word(wish)} {gap}"


# Less than this aside at carry is not worth a sentence.
_LEAST_M = 0.2


def why(plan: SetPlan, label: str) -> str:
    """Tell what was found of a club, what the sheet does with it, what follows, and what decided.

    Raises
    ------
    KeyError
        No club of that label.
    """
    row = plan.row(label)
    rules = plan.rules
    said = [f"{label}: {row.why}."]
    if row.wanted_deg:
        said.append(f"Wanted is {abs(row.wanted_deg):.2f}° too {lie_word(row.wanted_deg)}.")
    if not plan.gaps and row.aside_before_m is not None and abs(row.aside_before_m) >= _LEAST_M:
        said.append(f"As delivered it sends the ball about {_side(row.aside_before_m)}.")
    if row.bend_deg:
        said.append(_does(row, plan))
        if len(row.pulls_deg) > 1:
            pulls = ", then ".join(f"{abs(pull):g}°" for pull in row.pulls_deg)
            said.append(f"Bend {pulls}, measuring lie and loft after each.")
    for step in row.steps:
        if abs(step.after_deg - step.before_deg) > 1e-9:
            said.append(
                f"The step to {step.to} goes from {step.before_deg:+.2f}° to "
                f"{step.after_deg:+.2f}°{_doubt(step.u_deg)}."
            )
    if row.reason is Reason.EVIDENCE:
        said.append(
            f"A bend needs {100 * rules.p_needed:.0f} % to bring the club nearer and at most "
            f"{100 * rules.p_worse:g} % to make it worse by over {rules.worse_deg:g}°."
        )
    if row.reason is Reason.HEAD:
        said.append("The limit is a rule of thumb; the maker's and a technician's come first.")
    if row.reason in (Reason.WISH, Reason.LOCKED):
        said.append("This is the fitter's decision, not the evidence's.")
    if row.loft_words:
        said.append(f"Loft: {row.loft_words}. The carry changes with it.")
    return " ".join(said)


def _doubt(u_deg: float | None) -> str:
    return "" if u_deg is None else f" ± {NORMAL_90 * u_deg:.2f}°, overlays counted"


def _side(metres: float) -> str:
    return f"{abs(metres):.1f} m {'right' if metres > 0 else 'left'} of the target"


def _does(row: PlanRow, plan: SetPlan) -> str:
    text = (
        f"Bend {abs(row.bend_deg):g}° {lie_word(row.bend_deg)}: "
        f"{'what it stands off the line' if plan.gaps else 'the lie error'} goes from "
        f"{row.error_before_deg:+.2f}° to {row.error_after_deg:+.2f}° ± "
        f"{NORMAL_90 * row.u_after_deg:.2f}°"
    )
    if row.static_after_deg is not None:
        text += f", the measured lie from {row.static_before_deg:g}° to {row.static_after_deg:g}°"
    if row.contact_after_mm is not None and row.contact_before_mm is not None:
        text += f", the contact from {row.contact_before_mm:+.1f} to {row.contact_after_mm:+.1f} mm"
    if row.change_m is not None and row.miss_before_m is not None and row.miss_after_m is not None:
        text += f", the expected miss from {row.miss_before_m:.1f} to {row.miss_after_m:.1f} m"
    if row.p_worse is not None:
        text += f"; worse by over {plan.rules.worse_deg:g}° with {100 * row.p_worse:.1f} %"
    return text + "."
