"""The model of a print against quadrature written apart from it, and against Johnson."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from analysis.footprint import press
from analysis.footprint.press import StripCells, read_press

CELLS = StripCells(32, 4.0)
EDGE = math.log(25 / 282.5)


def theta(**changes):
    """One press of a plain circular sole without ends, load read where it is."""
    values = {
        "LOG_A": math.log(1000.0), "T": -3.0, "LOG_H": math.log(28.0), "C": 2.0,
        "HEEL": -60.0, "TOE": -60.0, "HALF": 120.0, "EDGE_HEEL": 0.0, "EDGE_TOE": 0.0,
        "POWER": 0.0, "SHARE": 0.0, "REACH": 1.0, "HANG": -2.0,
    }  # fmt: skip
    out = np.zeros((press.SIZE, 1, 1))
    for name, value in {**values, **changes}.items():
        out[getattr(press, name)] = value
    return out


def by_quadrature(pressure):
    """Mean pressure over each cell."""
    middle = (np.arange(32) - 15.5) * 4.0
    return np.array([quad(pressure, x - 2, x + 2, limit=200)[0] / 4 for x in middle])


def read(values):
    counts, _ = read_press(values, CELLS, 1)
    return counts[0, 0]


def test_an_elastic_foundation_carries_what_johnson_says():
    # Johnson, Contact Mechanics (1985), 4.3 (from memory): a cylinder of radius R on a Winkler
    # foundation presses p(x) = (K / 2 R h)(a^2 - x^2), load per length 2 K a^3 / 3 R h.
    a = 28.0
    got = read(theta())
    assert 4.0 * got.sum() == pytest.approx(1000.0 * 4 * a / 3, rel=0.01)
    expected = by_quadrature(lambda x: 1000.0 * max(1 - (x + 1.0) ** 2 / a**2, 0.0))
    np.testing.assert_allclose(got, expected, atol=12.0)


def test_half_a_power_is_hertz():
    # Johnson, 4.2: line contact of elastic half-spaces, p = p0 sqrt(1 - x^2/a^2), load pi a p0 / 2.
    # The border is rounded over 3 % of the depth, and a root is steep there.
    got = read(theta(POWER=math.log(0.5)))
    assert 4.0 * got.sum() == pytest.approx(1000.0 * math.pi * 28.0 / 2, rel=0.03)


@pytest.mark.parametrize(
    ("changes", "rise"),
    [
        ({"CURVE": 0.3}, lambda u: u * u / 2 + 0.3 * u**3 / 240),
        (
            {"EDGE_HEEL": EDGE, "EDGE_TOE": EDGE, "HALF": 39.0, "HEEL": 5.0, "TOE": 7.0},
            lambda u: u * u / 2,
        ),
    ],
    ids=["lopsided", "ends"],
)
def test_any_profile_is_pressed_as_deep_as_it_stands_low(changes, rise):
    t, c, h = -3.0, 2.0, 28.0
    slope = (rise(t + 1e-4) - rise(t - 1e-4)) / 2e-4

    def pressure(x):
        u = x - c
        gap = rise(u) - rise(t) - slope * (u - t)
        if "EDGE_HEEL" in changes:
            steep = 282.5 / 25
            # The model rounds what is ground off over a millimetre at nought; here it is far off.
            ground = [press.ground_off(np.array(changes[k]))[0] for k in ("HEEL", "TOE")]
            heel, toe = -u - 39.0, u - 39.0
            gap += 0.5 * steep * (max(heel + ground[0], 0) ** 2 + max(toe + ground[1], 0) ** 2)
            gap += 70.0 * (max(heel, 0) ** 2 + max(toe, 0) ** 2)
        return 1000.0 * max(1 - 2 * gap / h**2, 0.0)

    np.testing.assert_allclose(read(theta(**changes)), by_quadrature(pressure), atol=15.0)


def test_a_cover_hands_load_on_and_loses_none():
    plain, spread = read(theta()), read(theta(SHARE=0.3, REACH=math.log(5.0)))
    assert spread.sum() == pytest.approx(plain.sum(), rel=0.01)
    assert spread.max() < plain.max()


@pytest.mark.parametrize("name", [
    "LOG_A", "LOG_H", "C", "HEEL", "TOE", "HALF", "EDGE_HEEL", "EDGE_TOE", "POWER", "SHARE",
    "REACH", "HANG", "OUTWARD", "ASIDE", *range(press.CURVE, press.CURVE + press.CURVES),
    *range(press.WARP, press.SIZE),
])  # fmt: skip
def test_derivatives_are_differences(name):
    at = {"T": 1.0, "LOG_H": math.log(46.0), "HEEL": 5.0, "TOE": 4.0, "HALF": 39.0,
          "EDGE_HEEL": -2.4, "EDGE_TOE": -2.2, "POWER": -0.1, "SHARE": 0.2, "REACH": 1.4,
          "HANG": 0.7, "OUTWARD": 0.3, "ASIDE": 0.2}  # fmt: skip
    place = name if isinstance(name, int) else getattr(press, name)
    values = theta(**at)
    values[press.CURVE : press.CURVE + 4, 0, 0] = 0.1, 0.2, -0.1, 0.1
    values[press.WARP :, 0, 0] = 0.05 * np.sin(np.arange(press.SIZE - press.WARP))
    step = np.zeros_like(values)
    step[place] = 0.003
    _, slopes = read_press(values, CELLS)
    difference = (read(values + step) - read(values - step)) / 0.006
    # Points a third of a cell apart: where an end crosses one, differences jump.
    off = np.abs(difference - slopes[place, 0, 0]).max()
    assert off < 0.05 * np.abs(difference).max()
