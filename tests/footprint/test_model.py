"""The forward model against quadrature, finite differences and the textbook."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from analysis.footprint_model import Cells, footprint_counts

CELLS = Cells.of(32, 4.0, 4.0)


def theta_of(c, lie_deg, d, k=1000.0, radius=300.0, length=78.0):
    """The fit's parameters from the formula of the sole on its foundation."""
    slope = np.tan(np.radians(lie_deg))
    h = np.sqrt(2 * radius * d + (radius * slope) ** 2)
    return np.array([[np.log(k * h * h / (2 * radius)), c - radius * slope, np.log(h), c, length]])


@given(
    c=st.floats(-30, 30),
    lie=st.floats(-4, 4),
    d=st.floats(0.3, 6),
    width=st.sampled_from([4.0, 3.0]),
)
def test_cell_means_are_the_integral_of_the_foundation(c, lie, d, width):
    cells = Cells.of(32, 4.0, width)
    got, _ = footprint_counts(theta_of(c, lie, d), cells)
    slope = np.tan(np.radians(lie))

    def pressure(x):
        u = x - c
        return 1000.0 * max(0.0, d - u * u / 600.0 - u * slope) * (abs(u) <= 39.0)

    for i in range(0, 32, 3):
        a, b = cells.left[i], cells.right[i]
        root = 300.0 * np.sqrt(slope**2 + 2 * d / 300.0)
        kinks = [c - 39.0, c + 39.0, c - 300 * slope - root, c - 300 * slope + root]
        kinks = [x for x in kinks if a < x < b]
        want = quad(pressure, a, b, points=kinks or None, limit=100)[0] / width
        assert got[0, i] == pytest.approx(want, abs=1e-4 * 1000 * d)


@pytest.mark.parametrize("sag", [None, np.linspace(0, 300, 32)[None]])
@pytest.mark.parametrize("lie", [-1.7, 0.4, 3.0])
def test_jacobian_is_that_of_finite_differences(lie, sag):
    theta = theta_of(3.7, lie, 3.0)
    _, jacobian = footprint_counts(theta, CELLS, sag)
    for j in range(5):
        step = np.zeros(5)
        step[j] = 1e-5
        up, _ = footprint_counts(theta + step, CELLS, sag)
        down, _ = footprint_counts(theta - step, CELLS, sag)
        np.testing.assert_allclose(jacobian[0, j], (up - down)[0] / 2e-5, atol=2e-3)


def test_blurred_ends_average_the_exact_derivative():
    # Blurred over a pitch, each end acts on two cells as the mean of ends half a pitch either way.
    theta = theta_of(1.3, 0.5, 3.0)
    _, blurred = footprint_counts(theta, CELLS, None, 4.0)
    shift = np.linspace(-2, 2, 401)
    mean = np.zeros(32)
    for s in shift:
        moved = theta + np.array([0, 0, 0, s, 0])
        mean += footprint_counts(moved, CELLS)[1][0, 3] / len(shift)
    assert np.count_nonzero(blurred[0, 3]) == 4
    np.testing.assert_allclose(blurred[0, 3], mean, atol=0.15 * np.abs(mean).max())


def test_sag_is_a_smaller_depth():
    k, drop = 1000.0, 0.4
    full, _ = footprint_counts(theta_of(2.0, 1.0, 2.5 - drop), CELLS)
    sunk, _ = footprint_counts(theta_of(2.0, 1.0, 2.5), CELLS, np.full((1, 32), k * drop))
    np.testing.assert_allclose(sunk, full, atol=1e-9)


def test_johnson_elastic_foundation():
    # Johnson, Contact Mechanics (CUP 1985) 4.3: cylinder R on a foundation of modulus K and depth
    # h. For K 2 MPa, h 4 mm, R 250 mm, P 3000 N/m: a = 13.1037 mm, p0 = 171.707 kPa,
    # delta = 0.343414 mm (worked from delta = a^2/2R, p0 = K a^2/2Rh, P = 2 K a^3/3Rh).
    cells = Cells.of(600, 0.05, 0.05)
    theta = theta_of(0.0, 0.0, 0.343414, k=2000.0 / 4.0, radius=250.0)
    kpa, _ = footprint_counts(theta, cells)
    assert np.exp(theta[0, 2]) == pytest.approx(13.1037, abs=1e-3)
    assert kpa.max() == pytest.approx(171.707, abs=0.01)
    # kPa times mm is N/m.
    assert (kpa * 0.05).sum() == pytest.approx(3000.0, abs=0.1)


@given(tilt=st.floats(-1.5, 1.5))
def test_tilt_moves_the_centroid_by_radius_times_slope(tilt):
    # Johnson 4.3: the pressure is a parabola about the lowest point, so its centroid is there, too.
    cells = Cells.of(400, 0.2, 0.2)
    counts, _ = footprint_counts(theta_of(0.0, tilt, 0.4), cells)
    centroid = (counts @ cells.middle)[0] / counts.sum()
    assert centroid == pytest.approx(-300 * np.tan(np.radians(tilt)), abs=0.01)
