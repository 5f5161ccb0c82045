"""The bend sheet of a whole set: the exact optimum over what the machine can do.

Least expected squared miss plus a charge for each club touched, under the limits of the heads, of
the steps between neighbours, of the fitter's wishes and of the evidence. Exact, by dynamic
programming along the set (`analysis.plan.chain`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from analysis.conventions import FloatArray, lie_word
from analysis.gradation.overlay import LieStep
from analysis.lie.belief import Belief
from analysis.plan.chain import BoolArray, Limit, best_chain, smallest_clash
from analysis.plan.chances import (
    Chances,
    chances,
    evidence_allows,
    head_allows,
    sheet_better,
)
from analysis.plan.decision import Outlook
from analysis.plan.heads import head_room_deg
from analysis.plan.rows import Picture, make_rows
from analysis.plan.types import ClashError, PlanClub, PlanRules, SetPlan

# Among bends of equal cost the smaller one, by a cost far below any that matters.
_TIE = 1e-9


def plan_set(
    clubs: Sequence[PlanClub],
    belief: Belief,
    rules: PlanRules | None = None,
    steps: Sequence[LieStep] = (),
    *,
    outlooks: Sequence[Outlook] | None = None,
    gaps: bool = False,
) -> SetPlan:
    """Plan a whole set.

    Parameters
    ----------
    clubs : sequence of PlanClub
        From 1, in the order of the sheet; labels all different.
    belief : Belief
        Of their lie errors, in the same order: `SetPosterior.lie`. With
        `SetPosterior.own` the sheet puts clubs into line with the set and leaves its level alone,
        which is all that can be done while the level is not known.
    rules : PlanRules, optional
        Increment, charge, limits, evidence asked for.
    steps : sequence of LieStep
        Steps of the static lies between neighbours along the set, as far as they are known better
        than by the two clubs' ``lie_deg``, from overlays above all; either club first.
    outlooks : sequence of Outlook, optional
        What more swings of each club, in the same order, would tell; without them every club that
        is not bent is left.
    gaps : bool
        Whether the belief is `SetPosterior.own`; only for words.

    Returns
    -------
    SetPlan

    Raises
    ------
    ClashError
        The fitter's wishes cannot be had within the limits: it names the fewest that clash.
    NoAnswerError
        A wish in mm or metres whose radius or metres per degree is not known.
    ValueError
        A number makes no sense, labels repeat, or belief and clubs differ in length.
    """
    rules = rules or PlanRules()
    labels = [club.label for club in clubs]
    if not labels or len(set(labels)) != len(labels):
        raise ValueError("a plan needs at least one club, and each label once")
    if outlooks is not None and len(outlooks) != len(clubs):
        raise ValueError(f"there are {len(outlooks)} outlooks for {len(clubs)} clubs")
    if belief.mean.size != len(clubs):
        raise ValueError(f"belief holds {belief.mean.size} clubs, the plan {len(clubs)}")
    if not (np.all(np.isfinite(belief.mean)) and np.all(np.isfinite(belief.covariance))):
        raise ValueError("a lie error is not a number")
    for club in clubs:
        club.check()
    table = chances(clubs, belief, rules)
    order = along_set(clubs)
    before = _steps_before(clubs, order, steps)
    limits = _all_limits(clubs, table, rules, order, before)
    cost = _cost(table)[order]
    found = best_chain(cost, limits)
    if found is None:
        fewest = smallest_clash(len(clubs), limits)
        raise ClashError(tuple(limits[k].words for k in fewest))
    choice = np.zeros(len(clubs), dtype=np.intp)
    choice[order] = found[0]
    chosen = table.bends[choice]
    picked = (np.arange(len(clubs)), choice)
    objective = float((table.loss[picked] + table.charge * (chosen != 0)).sum())
    zero = int(np.flatnonzero(table.bends == 0)[0])
    unknown = [
        f"{labels[a]} to {labels[b]}"
        for at, (a, b) in enumerate(pairwise(order))
        if at not in before
    ]
    notes = _notes(clubs, unknown)
    picture = Picture(tuple(clubs), belief, table, choice, order, rules, before, outlooks, gaps)
    return SetPlan(
        rows=make_rows(picture),
        along=tuple(labels[i] for i in order),
        objective=objective,
        objective_before=float(table.loss[:, zero].sum()),
        p_better=sheet_better(table, belief, chosen),
        rules=rules,
        notes=notes,
        gaps=gaps,
    )


def along_set(clubs: Sequence[PlanClub]) -> list[int]:
    """Places of the clubs along the set, longest first; as given while a length is not known."""
    if any(club.length_mm is None for club in clubs):
        return list(range(len(clubs)))
    return sorted(range(len(clubs)), key=lambda i: -(clubs[i].length_mm or 0.0))


def _cost(table: Chances) -> FloatArray:
    """Loss less what no bend can change, plus charge and tie-break, (n, m)."""
    fixed = table.loss.min(axis=1, keepdims=True)
    touched = table.bends != 0
    scale = table.weight[:, None] ** 2
    tie = _TIE * scale * np.abs(table.bends)
    return np.asarray(table.loss - fixed + table.charge[:, None] * touched + tie)


def own_limits(
    at: int, place: int, club: PlanClub, table: Chances, carried: BoolArray, rules: PlanRules
) -> list[Limit]:
    """Limits on one club alone; ``at`` is its place along the set, ``place`` its row."""
    grid = table.bends
    room = head_room_deg(club, rules)
    out = [
        Limit(
            f"the {club.head.value} head of {club.label} has {round(room, 2):g}° left to bend"
            + (
                f", {abs(club.loft_change_deg):g}° of loft asked for"
                if club.loft_change_deg
                else ""
            ),
            at,
            head_allows(table, club, rules),
        )
    ]
    if club.locked:
        out.append(Limit(f"{club.label} is locked", at, grid == 0))
    if club.must_bend:
        out.append(Limit(f"{club.label} must be bent", at, grid != 0))
    if club.must_bend_deg is not None:
        words = (
            f"{club.label} must be bent {abs(club.must_bend_deg):g}° {lie_word(club.must_bend_deg)}"
        )
        out.append(Limit(words, at, np.abs(grid - club.must_bend_deg) <= 1e-6))
    elif not club.must_bend:
        words = f"the evidence on {club.label} carries no more"
        # A wish of the fitter's explains more than evidence that happens to say the same.
        out.append(Limit(words, at, carried[place], weight=1.001))
    if club.most_bend_deg is not None:
        words = f"{club.label} is to be bent {club.most_bend_deg:g}° at most"
        out.append(Limit(words, at, np.abs(grid) <= club.most_bend_deg + 1e-9))
    if club.within_deg is not None:
        after = table.off_after(place)
        words = f"{club.label} must end within {club.within_deg:g}° of its wanted lie"
        out.append(Limit(words, at, np.abs(after) <= club.within_deg + 1e-9))
    return out


def _steps_before(
    clubs: Sequence[PlanClub], order: Sequence[int], steps: Sequence[LieStep]
) -> dict[int, tuple[float, float | None]]:
    """Rise of the static lie to the next shorter club with its doubt, by place along the set."""
    read = {(step.first, step.second): (step.step_deg, step.u_deg) for step in steps}
    read |= {(step.second, step.first): (-step.step_deg, step.u_deg) for step in steps}
    before: dict[int, tuple[float, float | None]] = {}
    for at, (a, b) in enumerate(pairwise(order)):
        longer, shorter = clubs[a], clubs[b]
        known = read.get((longer.label, shorter.label))
        if known is not None:
            before[at] = known
        elif longer.lie_deg is not None and shorter.lie_deg is not None:
            before[at] = (shorter.lie_deg - longer.lie_deg, None)
    return before


def _all_limits(
    clubs: Sequence[PlanClub],
    table: Chances,
    rules: PlanRules,
    order: Sequence[int],
    steps: Mapping[int, tuple[float, float | None]],
) -> list[Limit]:
    carried = evidence_allows(table, clubs, rules)
    limits: list[Limit] = []
    for at, place in enumerate(order):
        limits += own_limits(at, place, clubs[place], table, carried, rules)
        if at not in steps:
            continue
        longer, shorter = clubs[place], clubs[order[at + 1]]
        low, high = rules.step_deg
        if longer.length_mm is not None and longer.length_mm == shorter.length_mm:
            # Of two clubs of one length neither has to be the flatter one.
            low = min(low, -high)
        before, u_step = steps[at]
        # A step is not held to more finely than it was read, nor than a quarter of what the
        # machine can do; gauge readings alone are taken at their word.
        slack = 1e-9 if u_step is None else min(u_step, rules.increment_deg / 4)
        if not rules.strict_steps:
            low, high = min(low, before), max(high, before)
        step = before + table.bends[None, :] - table.bends[:, None]
        words = f"the step from {longer.label} to {shorter.label} must end at "
        if math.isclose(low, 0, abs_tol=1e-9):
            limits.append(
                Limit(
                    f"{longer.label} must not be more upright than {shorter.label}",
                    at,
                    step >= low - slack,
                )
            )
        else:
            limits.append(Limit(f"{words}{low:g}° or more", at, step >= low - slack))
        limits.append(Limit(f"{words}{high:g}° or less", at, step <= high + slack))
    return limits


def _notes(clubs: Sequence[PlanClub], unknown: Sequence[str]) -> tuple[str, ...]:
    notes = []
    if unknown:
        notes.append("steps not checked, a lie was not measured: " + ", ".join(unknown))
    bare = [club.label for club in clubs if club.metres_per_deg is None]
    if bare and len(bare) < len(clubs):
        notes.append(
            f"metres per degree not known for {', '.join(bare)}: a degree there counts as a metre"
        )
    if any(club.length_mm is None for club in clubs) and len(clubs) > 1:
        notes.append("a length is not known: the clubs are taken along the set in the order given")
    return tuple(notes)
