from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.gradation.as_delivered import delivered_gradation
from analysis.gradation.types import StaticClub
from analysis.lie.club import LevelSource, LieError
from analysis.statistics.budget import Budget, BudgetLine, Contribution
from analysis.statistics.estimation import Interval

RADIUS_MM = 300.0


def delivered(errors, seed=0, u_level_mm=1.0):
    """Lie errors of 30 swings per club about the given true ones: camber known to 1 %."""
    rng = np.random.default_rng(seed)
    out = {}
    for label, true in errors.items():
        per_mm = math.degrees(1 / RADIUS_MM)
        own, level, stance = 3.0 / math.sqrt(30) * per_mm, u_level_mm * per_mm, 0.07
        value = true + rng.normal(0, own)
        parts = {"contact": own, "camber": 0.01 * abs(value), "level": level, "stance": stance}
        u = math.hypot(*parts.values())
        half = 1.645 * u
        lines = tuple(
            BudgetLine(Contribution(name, one, "deg"), one, one**2 / u**2)
            for name, one in parts.items()
        )
        out[label] = LieError(
            lie_error_deg=value,
            u_deg=u,
            dof=math.inf,
            interval_deg=Interval(value - half, value + half, 0.9),
            toe_mm=-RADIUS_MM * math.tan(math.radians(value)),
            camber_mm=RADIUS_MM,
            components_deg=parts,
            shared_deg=(level, -stance),
            level_source=LevelSource.MARKS,
            note="",
            budget=Budget(value, u, math.inf, 1.645, half, 0.9, lines),
        )
    return out


def rows(result):
    return {row.label: row for row in result.rows}


def test_needed_lie_is_static_less_lie_error(clubs):
    lies = delivered(dict.fromkeys("456789P", 1.0))
    result = delivered_gradation(clubs(), lies)
    for row, club in zip(result.rows, clubs(), strict=True):
        error = lies[row.label]
        assert row.static_deg == club.lie_deg
        assert row.needed_deg == pytest.approx(club.lie_deg - error.lie_error_deg)
        assert row.u_needed_deg == pytest.approx(math.hypot(0.25, error.u_deg))
        # Every club a degree too upright: all in line, only the level is off.
        assert row.words == "in line, club and swing"
    # A sole lies flat after a bend of minus the lie error, which makes the static lie the needed.
    assert result.needed_line.at(939.8) == pytest.approx(62.0 - 1.0, abs=0.3)
    assert "alike" in result.words


def test_a_bent_club_is_told_from_an_odd_swing(clubs):
    # The 6 was bent 2 degrees upright: static and lie error show it, the needed lie does not.
    errors = dict.fromkeys("456789P", 0.0)
    bent = rows(
        delivered_gradation(clubs(c6={"lie_deg": 63.5}), delivered(errors | {"6": 2.0}, seed=3))
    )
    assert "the club is off, not the swing" in bent["6"].words
    assert bent["6"].static_off_deg == pytest.approx(2.0, abs=0.01)
    assert abs(bent["6"].needed_off_deg) < 0.6
    # The 6 grades, but is swung 2 degrees too upright.
    swung = rows(delivered_gradation(clubs(), delivered(errors | {"6": 2.0}, seed=3)))
    assert "the swing with it asks for a lie" in swung["6"].words
    assert "flatter than" in swung["6"].words
    assert swung["6"].needed_off_deg == pytest.approx(-2.0, abs=0.5)
    assert swung["5"].words == "in line, club and swing"
    # Bent 2 degrees flat and swung 2 degrees too upright on top.
    both = rows(
        delivered_gradation(clubs(c6={"lie_deg": 59.5}), delivered(errors | {"6": 2.0}, seed=3))
    )
    assert "the club is" in both["6"].words
    assert "and the swing" in both["6"].words


def test_what_all_clubs_share_moves_no_club_off_its_line(clubs):
    sure = delivered_gradation(clubs(), delivered(dict.fromkeys("456789P", 0.0), u_level_mm=0.5))
    vague = delivered_gradation(clubs(), delivered(dict.fromkeys("456789P", 0.0), u_level_mm=8.0))
    for a, b in zip(sure.rows, vague.rows, strict=True):
        assert a.u_needed_off_deg == pytest.approx(b.u_needed_off_deg, rel=0.02)
        assert b.u_needed_deg > a.u_needed_deg + 0.5


def test_swings_that_grade_otherwise(clubs):
    # Lie error grows from -1.5 to +1.5 over the set: the swings ask for 0.5 degrees a club less.
    errors = {label: -1.5 + 0.5 * i for i, label in enumerate("456789P")}
    result = delivered_gradation(clubs(), delivered(errors, seed=1))
    assert result.static_line.deg_per_step == pytest.approx(0.5)
    assert result.needed_line.deg_per_step == pytest.approx(0.0, abs=0.15)
    assert "they differ" in result.words


def test_missing_swings_and_specs(clubs):
    lies = delivered({"4": 0.0, "5": 0.0})
    result = delivered_gradation(clubs(c5={"lie_deg": None}), lies)
    by = rows(result)
    assert by["5"].words == "its lie was not measured"
    assert by["5"].needed_deg is None
    assert by["5"].lie_error_deg == lies["5"].lie_error_deg
    assert by["6"].words == "too few swings to say what it asks for"
    assert by["4"].words == "too few clubs to say whether it is off"
    assert result.needed_line is None
    assert "too few clubs" in result.words


def test_one_length_set_delivered():
    clubs = [StaticClub(str(i), 940.0, 62.0) for i in range(5)]
    result = delivered_gradation(
        clubs, delivered({str(i): 2.0 if i == 3 else 0.0 for i in range(5)})
    )
    assert "the swing with it asks for" in rows(result)["3"].words


def test_bad_input_is_refused(clubs):
    with pytest.raises(ValueError, match="not among the clubs"):
        delivered_gradation(clubs()[:2], delivered({"P": 0.0}))
    with pytest.raises(ValueError, match="same label"):
        delivered_gradation([StaticClub("7"), StaticClub("7")], {})
