from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.gradation.steps import gradation
from analysis.gradation.types import (
    FindingKind,
    GradationRules,
    Spec,
    StaticClub,
    sure_factor,
)


def faults(result):
    return [(f.kind, f.spec, f.clubs) for f in result.findings if f.kind.is_fault]


def test_an_even_set_has_no_fault(clubs):
    result = gradation(clubs())
    assert result.grades_evenly is True
    assert result.findings == ()
    assert result.order == ("4", "5", "6", "7", "8", "9", "P")
    assert result.line.deg_per_step == pytest.approx(0.5, rel=1e-9)
    assert result.line.at(37.25 * 25.4) == pytest.approx(61.75, rel=1e-9)
    for step in result.steps:
        assert step.lie_deg == pytest.approx(0.5)
        assert step.expected_lie_deg == pytest.approx(0.5)
        assert step.length_mm == pytest.approx(-12.7)
        # Two readings of 0.25 degrees each.
        assert step.u_lie_deg == pytest.approx(0.25 * math.sqrt(2))


@pytest.mark.parametrize("label", ["4", "6", "P"])
@pytest.mark.parametrize("by", [1.6, -1.6])
def test_a_club_off_the_line_is_named_with_its_distance(clubs, label, by):
    lie = {c.label: c.lie_deg for c in clubs()}[label]
    result = gradation(clubs(**{f"c{label}": {"lie_deg": lie + by}}))
    assert faults(result) == [(FindingKind.OFF_LINE, Spec.LIE, (label,))]
    (finding,) = result.findings
    assert finding.value == pytest.approx(by, abs=1e-6)
    assert ("upright" if by > 0 else "flat") in finding.words
    assert result.grades_evenly is False


def test_two_clubs_off_do_not_hide_each_other(clubs):
    result = gradation(clubs(c5={"lie_deg": 63.0}, c9={"lie_deg": 61.0}))
    assert faults(result) == [
        (FindingKind.OFF_LINE, Spec.LIE, ("5",)),
        (FindingKind.OFF_LINE, Spec.LIE, ("9",)),
    ]


def test_what_measuring_may_have_done_is_no_fault(clubs):
    assert gradation(clubs(c6={"lie_deg": 62.1})).grades_evenly is True
    # The same 0.6 degrees read ten times better.
    exact = GradationRules(u_lie_deg=0.025, u_length_mm=0.2)
    assert gradation(clubs(c6={"lie_deg": 62.1}), exact).grades_evenly is False
    # And with one club's own uncertainty.
    sure = clubs(c6={"lie_deg": 63.4, "u_lie_deg": 2.0})
    assert gradation(sure).grades_evenly is True


def test_sound_sets_are_accused_as_rarely_as_stated(clubs):
    # One set in ten at most in each kind; the tolerance makes it fewer.
    rng = np.random.default_rng(8)
    accused = 0
    for _ in range(200):
        noisy = [
            StaticClub(
                c.label,
                c.length_mm + rng.normal(0, 1.5),
                c.lie_deg + rng.normal(0, 0.25),
                c.loft_deg + rng.normal(0, 0.25),
            )
            for c in clubs()
        ]
        accused += gradation(noisy).grades_evenly is False
    assert accused / 200 < 0.15


def test_clubs_sort_themselves(clubs):
    assert gradation(clubs()[::-1]).order == ("4", "5", "6", "7", "8", "9", "P")
    no_loft = [StaticClub(c.label, c.length_mm, c.lie_deg) for c in clubs()[::-1]]
    assert gradation(no_loft).order == ("4", "5", "6", "7", "8", "9", "P")
    neither = [StaticClub(c.label, None, c.lie_deg) for c in clubs()]
    assert gradation(neither).order == ("4", "5", "6", "7", "8", "9", "P")


def test_loft_gaps(clubs):
    doubled = gradation(clubs(c8={"loft_deg": 40.5}))
    assert (FindingKind.DOUBLED, Spec.LOFT, ("8", "9")) in faults(doubled)
    assert (FindingKind.GAP, Spec.LOFT, ("7", "8")) in faults(doubled)
    without_nine = [c for c in clubs() if c.label != "9"]
    missing = gradation(without_nine)
    assert (FindingKind.GAP, Spec.LOFT, ("8", "P")) in faults(missing)
    assert (FindingKind.GAP, Spec.LENGTH, ("8", "P")) in faults(missing)
    # The lies of the others still grade over their lengths.
    assert not any(spec is Spec.LIE for _, spec, _ in faults(missing))


def test_loft_that_runs_the_wrong_way(clubs):
    # One loft not measured, so the clubs go by length.
    result = gradation(clubs(c4={"loft_deg": None}, c8={"loft_deg": 44.0}))
    assert (FindingKind.REVERSED, Spec.LOFT, ("8", "9")) in faults(result)
    assert any("9 has less loft than the longer 8" in f.words for f in result.findings)


def test_lengths(clubs):
    same = gradation(clubs(c8={"length_mm": 36.0 * 25.4}))
    assert (FindingKind.DOUBLED, Spec.LENGTH, ("8", "9")) in faults(same)
    longer = gradation(clubs(c8={"length_mm": 38.0 * 25.4}))
    assert (FindingKind.REVERSED, Spec.LENGTH, ("7", "8")) in faults(longer)


def test_wedges_of_one_length_are_no_fault(clubs):
    wedges = [
        StaticClub("S", 35.0 * 25.4, 64.0, 51.0),
        StaticClub("L", 35.0 * 25.4, 64.0, 56.0),
    ]
    result = gradation(clubs() + wedges)
    assert result.grades_evenly is True


def test_missing_specs_are_told_and_tolerated(clubs):
    result = gradation(clubs(c6={"lie_deg": None, "loft_deg": None}, cP={"length_mm": None}))
    told = {(f.spec, f.clubs) for f in result.findings if f.kind is FindingKind.NOT_MEASURED}
    assert told == {(Spec.LIE, ("6",)), (Spec.LOFT, ("6",)), (Spec.LENGTH, ("P",))}
    assert result.line is not None
    assert {c.label for c in result.line.clubs} == {"4", "5", "7", "8", "9"}
    step = next(s for s in result.steps if s.first == "5")
    assert (step.lie_deg, step.loft_deg, step.u_lie_deg) == (None, None, None)
    assert step.length_mm == pytest.approx(-12.7)


def test_nothing_measured_at_all():
    result = gradation([StaticClub("7"), StaticClub("8")])
    assert result.line is None
    assert result.grades_evenly is None
    assert {f.kind for f in result.findings} == {FindingKind.NOT_MEASURED, FindingKind.TOO_FEW}


def test_two_clubs_go_by_the_trades_usual_step(clubs):
    result = gradation(clubs()[:2])
    assert result.line is None
    assert result.grades_evenly is None
    backward = [
        StaticClub("6", 37.5 * 25.4, 62.5, 28.5),
        StaticClub("7", 37.0 * 25.4, 61.0, 32.5),
    ]
    result = gradation(backward)
    assert faults(result) == [(FindingKind.REVERSED, Spec.LIE, ("6", "7"))]
    assert "common practice" in result.findings[0].words


def test_three_clubs_cannot_tell_which_is_off(clubs):
    three = [StaticClub(c.label, c.length_mm, c.lie_deg) for c in clubs()[:3]]
    three[1] = StaticClub("5", 38.0 * 25.4, 63.5)
    result = gradation(three)
    assert faults(result) == [(FindingKind.OFF_LINE, Spec.LIE, ("4", "5", "6"))]
    assert "cannot be told" in result.findings[0].words


def test_one_length_set():
    lofts = (22.0, 26.0, 30.0, 34.0, 38.0, 42.0)
    even = [
        StaticClub(str(i + 4), 940.0 + 0.5 * (i % 2), 62.0, loft) for i, loft in enumerate(lofts)
    ]
    result = gradation(even)
    assert result.is_one_length
    assert result.grades_evenly is True
    assert [f.kind for f in result.findings] == [FindingKind.ONE_LENGTH]
    assert result.line.deg_per_step == 0.0
    assert all(step.expected_lie_deg == 0.0 for step in result.steps)
    even[2] = StaticClub("6", 940.0, 63.5, 30.0)
    off = gradation(even)
    assert faults(off) == [(FindingKind.OFF_LINE, Spec.LIE, ("6",))]
    assert off.findings[0].value == pytest.approx(1.5, abs=0.01)
    assert "common lie" in off.findings[0].words


def test_no_step_and_too_large_a_step_by_exact_readings(clubs):
    exact = GradationRules(u_lie_deg=0.05, u_length_mm=0.5)
    # Slope half a degree a club, one pair without a step: no single club is half a degree off.
    shifted = clubs(c8={"lie_deg": 62.05}, c9={"lie_deg": 62.55}, cP={"lie_deg": 63.05})
    result = gradation(shifted, exact)
    assert (FindingKind.DOUBLED, Spec.LIE, ("7", "8")) in faults(result)
    jump = clubs(
        c4={"lie_deg": 60.1},
        c5={"lie_deg": 60.6},
        c6={"lie_deg": 61.0},
        c8={"lie_deg": 62.9},
        c9={"lie_deg": 63.4},
        cP={"lie_deg": 63.9},
        c7={"lie_deg": 61.5},
    )
    kinds = faults(gradation(jump, exact))
    assert (FindingKind.GAP, Spec.LIE, ("7", "8")) in kinds


def test_sidak_limit():
    # One test at 95 %: the normal quantile 1.960; ten tests at 90 %: 0.9 ** 0.1 two-sided (normal
    # tables: 2.560).
    assert sure_factor(0.95, 1) == pytest.approx(1.95996, abs=1e-5)
    assert sure_factor(0.90, 10) == pytest.approx(2.560, abs=1e-3)


def test_bad_sets_are_refused(clubs):
    with pytest.raises(NoAnswerError, match="no club"):
        gradation([])
    with pytest.raises(ValueError, match="same label"):
        gradation([*clubs(), StaticClub("7")])
    with pytest.raises(ValueError, match="7: a lie"):
        StaticClub("7", lie_deg=6.2)
    with pytest.raises(ValueError, match="7: a length"):
        StaticClub("7", length_mm=37.0)
    with pytest.raises(ValueError, match="7: a loft"):
        StaticClub("7", loft_deg=math.nan)
    with pytest.raises(ValueError, match="uncertainty"):
        StaticClub("7", u_lie_deg=0.0)
    with pytest.raises(ValueError, match="positive"):
        GradationRules(u_lie_deg=0.0)
