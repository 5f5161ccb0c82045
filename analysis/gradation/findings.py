"""What is wrong with how a set grades, found one kind at a time."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from statistics import median

from analysis.conventions import WEDGE_LOFT_DEG, lie_word
from analysis.gradation.types import (
    USUAL_LIE_STEP_DEG,
    USUAL_LOFT_STEP_DEG,
    FindingKind,
    GradationFinding,
    GradationRules,
    GradationStep,
    LieLine,
    Spec,
    StaticClub,
    sure_factor,
)
from analysis.lie.set_types import FEWEST_FOR_OUTLIER, LENGTH_STEP_MM

# Under half of the usual step two clubs do nearly the same job; well over one and a half times it,
# a club is missing between them. Common practice, no source.
_DOUBLED = 0.5
_GAP = 1.6


def find(
    clubs: Sequence[StaticClub],
    line: LieLine | None,
    steps: Sequence[GradationStep],
    one_length: bool,
    rules: GradationRules,
) -> tuple[GradationFinding, ...]:
    """Find everything worth saying about a set; faults first, gaps in what was measured last.

    Parameters
    ----------
    clubs : sequence of StaticClub
        Longest first.
    line : LieLine, optional
        Of their lies along length.
    steps : sequence of GradationStep
        Between neighbours, same order.
    one_length : bool
        Whether all clubs are of one length.
    rules : GradationRules
        Uncertainties and limits.
    """
    tests = 3 * len(steps) + (len(line.clubs) if line else 0)
    factor = sure_factor(rules.confidence, tests)
    off = list(_off_line(line, one_length, rules, factor))
    odd = {label for finding in off for label in finding.clubs}
    out = [*off, *_lie_steps(steps, odd, one_length, rules, factor)]
    out += _loft_steps(steps, rules, factor)
    if one_length:
        words = "all clubs are of one length, so all lies should be the same"
        out.append(_plain(FindingKind.ONE_LENGTH, Spec.LENGTH, [c.label for c in clubs], words))
    else:
        out += _length_steps(clubs, steps, rules, factor)
    if line is None:
        words = (
            "no line of lie along length: it takes three clubs of different lengths with both "
            "measured; steps are held against the trade's usual ones (common practice)"
        )
        out.append(_plain(FindingKind.TOO_FEW, Spec.LIE, [c.label for c in clubs], words))
    for spec in Spec:
        lacking = [club.label for club in clubs if _value(club, spec) is None]
        if lacking:
            words = f"{spec.value} not measured: {', '.join(lacking)}"
            out.append(_plain(FindingKind.NOT_MEASURED, spec, lacking, words))
    return tuple(out)


def _value(club: StaticClub, spec: Spec) -> float | None:
    return {Spec.LIE: club.lie_deg, Spec.LOFT: club.loft_deg, Spec.LENGTH: club.length_mm}[spec]


def _plain(kind: FindingKind, spec: Spec, clubs: Sequence[str], words: str) -> GradationFinding:
    return GradationFinding(kind, spec, tuple(clubs), None, None, None, words)


def _off_line(
    line: LieLine | None, one_length: bool, rules: GradationRules, factor: float
) -> Iterator[GradationFinding]:
    if line is None:
        return
    odd = [
        club
        for club in line.clubs
        if abs(club.off_deg) > rules.tolerance_deg and abs(club.off_deg) > factor * club.u_off_deg
    ]
    if not odd:
        return
    what = "the common lie" if one_length else "the line of the others"
    if len(line.clubs) < FEWEST_FOR_OUTLIER:
        worst = max(odd, key=lambda club: abs(club.off_deg) / club.u_off_deg)
        labels = tuple(club.label for club in line.clubs)
        words = (
            f"the lies of {', '.join(labels)} do not go together, by {abs(worst.off_deg):.1f} ± "
            f"{worst.u_off_deg:.1f}°; of so few it cannot be told which one is off: measure more"
        )
        yield GradationFinding(
            FindingKind.OFF_LINE, Spec.LIE, labels, worst.off_deg, 0.0, worst.u_off_deg, words
        )
        return
    for club in odd:
        way = lie_word(club.off_deg)
        words = (
            f"{club.label} stands {abs(club.off_deg):.1f} ± {club.u_off_deg:.1f}° more {way} than "
            f"{what}"
        )
        yield GradationFinding(
            FindingKind.OFF_LINE,
            Spec.LIE,
            (club.label,),
            club.off_deg,
            0.0,
            club.u_off_deg,
            words,
        )


def _lie_steps(
    steps: Sequence[GradationStep],
    odd: set[str],
    one_length: bool,
    rules: GradationRules,
    factor: float,
) -> Iterator[GradationFinding]:
    if one_length:
        return
    for step in steps:
        if step.lie_deg is None or step.u_lie_deg is None or {step.first, step.second} & odd:
            continue
        expected, usual = _expected_lie_step(step)
        # A step in length that goes the wrong way is the length's fault, not the lie's.
        if expected <= 0 or abs(step.lie_deg - expected) < factor * step.u_lie_deg:
            continue
        pair = (step.first, step.second)
        size = f"{step.lie_deg:+.1f} ± {step.u_lie_deg:.1f}°, {usual} {expected:+.1f}°"
        if step.lie_deg < 0:
            kind = FindingKind.REVERSED
            words = f"{step.second} is flatter than the longer {step.first}: {size}"
        elif step.lie_deg < _DOUBLED * expected:
            kind = FindingKind.DOUBLED
            words = f"hardly a step in lie from {step.first} to {step.second}: {size}"
        elif step.lie_deg > max(_GAP * expected, expected + rules.tolerance_deg):
            kind = FindingKind.GAP
            words = f"too large a step in lie from {step.first} to {step.second}: {size}"
        else:
            continue
        yield GradationFinding(kind, Spec.LIE, pair, step.lie_deg, expected, step.u_lie_deg, words)


def _expected_lie_step(step: GradationStep) -> tuple[float, str]:
    """Return the step to go by and what to call it; the nearer end of the usual without a line."""
    if step.expected_lie_deg is not None:
        return step.expected_lie_deg, "the set's line asks for"
    share = 1.0 if step.length_mm is None else -step.length_mm / LENGTH_STEP_MM
    low, high = (share * end for end in USUAL_LIE_STEP_DEG)
    lie = step.lie_deg or 0.0
    return min(max(lie, low), high), "usual (common practice)"


def _loft_steps(
    steps: Sequence[GradationStep], rules: GradationRules, factor: float
) -> Iterator[GradationFinding]:
    known = [(step, step.loft_deg) for step in steps if step.loft_deg is not None]
    u = math.sqrt(2) * rules.u_loft_deg
    for i, (step, gap) in enumerate(known):
        others = [other for k, (_, other) in enumerate(known) if k != i]
        if len(others) >= 2:
            expected, usual = median(others), "the others' is"
        else:
            low, high = USUAL_LOFT_STEP_DEG
            expected, usual = min(max(gap, low), high), "usual (common practice) is"
        if abs(gap - expected) < factor * _against_median(u, len(others)):
            continue
        size = f"{gap:.1f} ± {u:.1f}°, {usual} {expected:.1f}°"
        if gap < 0:
            kind = FindingKind.REVERSED
            words = f"{step.second} has less loft than the longer {step.first}: {size}"
        elif gap < _DOUBLED * expected:
            kind = FindingKind.DOUBLED
            words = f"{step.first} and {step.second} do nearly the same job, loft step {size}"
        elif gap > _GAP * expected:
            kind = FindingKind.GAP
            words = f"a club is missing between {step.first} and {step.second}, loft step {size}"
        else:
            continue
        yield GradationFinding(kind, Spec.LOFT, (step.first, step.second), gap, expected, u, words)


def _length_steps(
    clubs: Sequence[StaticClub],
    steps: Sequence[GradationStep],
    rules: GradationRules,
    factor: float,
) -> Iterator[GradationFinding]:
    loft = {club.label: club.loft_deg for club in clubs}
    known = [(step, -step.length_mm) for step in steps if step.length_mm is not None]
    u = math.sqrt(2) * rules.u_length_mm
    for i, (step, shorter) in enumerate(known):
        others = [other for k, (_, other) in enumerate(known) if k != i]
        expected = max(median(others), 0.0) if len(others) >= 2 else LENGTH_STEP_MM
        apart = _clubs_apart(step.first, step.second)
        if apart > 1 and abs(shorter / apart - LENGTH_STEP_MM) < LENGTH_STEP_MM / 2:
            # A set that leaves clubs out steps by as many clubs as there are between.
            continue
        usual = "the others' is" if len(others) >= 2 else "usual (common practice) is"
        if abs(shorter - expected) < factor * _against_median(u, len(others)):
            continue
        wedges = all((loft[label] or 0.0) >= WEDGE_LOFT_DEG for label in (step.first, step.second))
        size = f"{shorter:.1f} ± {u:.1f} mm, {usual} {expected:.1f} mm"
        if shorter < -factor * u:
            kind = FindingKind.REVERSED
            words = f"{step.second} is longer than {step.first} by {-shorter:.1f} ± {u:.1f} mm"
        elif shorter < _DOUBLED * expected and not wedges:
            kind = FindingKind.DOUBLED
            words = f"{step.first} and {step.second} are nearly of one length, step {size}"
        elif shorter > _GAP * expected:
            kind = FindingKind.GAP
            words = f"too large a step in length from {step.first} to {step.second}: {size}"
        else:
            continue
        yield GradationFinding(
            kind, Spec.LENGTH, (step.first, step.second), shorter, expected, u, words
        )


_NUMBERED = re.compile(r"(\d{1,2})\s*-?\s*(?:i|iron)?", re.IGNORECASE)


def _clubs_apart(first: str, second: str) -> int:
    """Say how many clubs further the second is, where both are numbered irons; else 1."""
    numbers = [_NUMBERED.fullmatch(label.strip()) for label in (first, second)]
    if numbers[0] is None or numbers[1] is None:
        return 1
    return int(numbers[1][1]) - int(numbers[0][1])


def _against_median(u: float, others: int) -> float:
    """Return the standard uncertainty of a step less the median of the others.

    The median of n normal values scatters about 1.25 / sqrt(n) of theirs.
    """
    return u * math.sqrt(1 + 1.5625 / others) if others >= 2 else u
