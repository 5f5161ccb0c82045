"""The mechanics of the second world against what is published of line contacts."""

from __future__ import annotations

import numpy as np
import pytest
from second_world.contact import _GRID_HALF_MM as HALF
from second_world.contact import _GRID_STEP_MM as STEP
from second_world.contact import Cover, Grind, Sole, flamant, hanging, prints

NOT_GROUND = Grind(0.0, 10.0)


def round_sole(camber_mm=250.0, length_mm=100.0):
    return Sole(camber_mm, length_mm, NOT_GROUND, NOT_GROUND)


def print_of(sole, depth_mm, cover, lie_deg=0.0, opening_mm=0.05):
    """Pressure on the grid at the deepest, as depth of a linear foundation."""
    made = prints(
        [sole], np.array([0]), np.array([lie_deg]), np.array([depth_mm]), cover, opening_mm
    )
    x = np.arange(-HALF, HALF + 1e-9, STEP)
    return x, made.table[0, -1]


class TestJohnson:
    # Johnson, Contact Mechanics (CUP 1985), 4.3, cylinder on an elastic foundation, per unit
    # length: delta = a^2 / 2R, p(x) = (K a^2 / 2 R h)(1 - x^2 / a^2), P = 2 K a^3 / (3 R h).
    # Worked: K 2 MPa, h 4 mm, R 250 mm, P 3000 N/m gives a 13.1037 mm, p0 171.707 kPa,
    # delta 0.343414 mm (equations from memory, worked out by hand).
    k_per_mm = 2.0 / 4.0
    delta_mm = 0.343414

    def test_line_load(self):
        x, depth = print_of(round_sole(), self.delta_mm, Cover())
        pressure = self.k_per_mm * depth
        assert pressure.max() == pytest.approx(0.171707, rel=1e-3)
        # N/mm^2 over mm: 3 N/mm are 3000 N/m. The border falls between points of the grid.
        assert np.sum(pressure) * STEP == pytest.approx(3.0, rel=3e-3)
        assert x[pressure > 1e-3][-1] == pytest.approx(13.1037, abs=STEP)

    def test_tilt_moves_it_by_the_camber(self):
        # One degree moves the contact by R tan(1 deg) (4.363 mm for R = 250, by hand).
        x, depth = print_of(round_sole(), 0.5, Cover(), lie_deg=1.0)
        assert np.sum(x * depth) / np.sum(depth) == pytest.approx(-4.363, abs=0.02)

    def test_skin_touches_over_less(self):
        # Pasternak: skin and sole part where g'(x) = -g(x) / a, so b = sqrt(a^2 + 2 R d) - a.
        x = np.arange(-60, 60.001, 0.05)
        gap = 2.0 - x**2 / 500.0
        skin = hanging(gap[None], 0.05, 3.0)[0]
        touching = x[(skin <= np.maximum(gap, 0) + 1e-6) & (gap > 0)]
        assert touching[-1] == pytest.approx(np.sqrt(9 + 1000.0) - 3, abs=0.1)
        # Beside it: exp(-x / a).
        far = np.searchsorted(x, [40.0, 43.0])
        assert skin[far[1]] / skin[far[0]] == pytest.approx(np.exp(-1), rel=1e-3)

    def test_flamant_loses_no_load(self):
        x = np.arange(-4000, 4000, 0.05)
        assert np.sum(flamant(x, 6.0)) * 0.05 == pytest.approx(1.0, abs=1e-3)
        # Johnson 2.3: under the line itself 2 P / (pi z).
        assert flamant(np.array(0.0), 6.0) == pytest.approx(2 / (np.pi * 6.0))

    def test_layers_keep_the_load(self):
        plain = print_of(round_sole(length_mm=70.0), 2.0, Cover())[1].sum()
        cover = Cover(shallow_mm=2.0, deep_mm=8.0, deep_share=0.3)
        # What goes past the grid's end, 65 mm beyond the print, is less than a part in a thousand.
        spread = print_of(round_sole(length_mm=70.0), 2.0, cover, opening_mm=3.0)[1].sum()
        assert spread == pytest.approx(plain, rel=2e-3)


class TestSoles:
    @pytest.mark.parametrize(
        "shape",
        [
            {"flat_half_mm": 12.0, "flat_share": 0.4},
            {"turn_mm": 12.0, "turn_share": 1.8},
            {"lopsided": 0.2},
        ],
    )
    def test_rocking_finds_the_camber(self, shape):
        sole = Sole(280.0, 90.0, NOT_GROUND, NOT_GROUND, **shape)
        angles = np.linspace(-3, 3, 13)
        place = np.array([sole.lowest_mm(a) for a in angles])
        tangent = np.tan(np.radians(angles))
        slope = np.sum(tangent * place) / np.sum(tangent**2)
        assert -slope == pytest.approx(280.0, rel=2e-3)

    def test_lie_error_0_is_the_middle_of_the_score_lines(self):
        sole = Sole(280.0, 78.0, Grind(3.0, 12.0), Grind(7.0, 20.0), middle_mm=1.0,
                    turn_mm=12.0, turn_share=1.8, lopsided=0.2)  # fmt: skip
        assert sole.lowest_mm(0.0) == pytest.approx(0.0, abs=1e-9)
        assert sole.lowest_mm(1.0) < 0 < sole.lowest_mm(-1.0)

    def test_ground_ends_press_less(self):
        whole = print_of(round_sole(300.0, 78.0), 3.0, Cover())
        ground = print_of(Sole(300.0, 78.0, Grind(6.0, 10.0), NOT_GROUND), 3.0, Cover())
        near_heel = (whole[0] > -39) & (whole[0] < -35)
        assert np.all(ground[1][near_heel] < whole[1][near_heel])
        assert ground[1][whole[0] > -30] == pytest.approx(whole[1][whole[0] > -30])
