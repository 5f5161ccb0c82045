"""The forward model against quadrature, finite differences and the textbook."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from analysis.footprint.model import Cells, footprint_counts, given_ground, ground_off

CELLS = Cells.of(32, 4.0, 4.0)


def theta_of(
    c,
    lie_deg,
    d,
    k=1000.0,
    radius=300.0,
    length=78.0,
    shape=0.0,
    heel=0.001,
    toe=0.001,
    share=0.0,
    edge=25.0,
):
    """The fit's parameters from the formula of the sole on its foundation."""
    slope = np.tan(np.radians(lie_deg))
    h = np.sqrt(2 * radius * d + (radius * slope) ** 2)
    place = [np.log(k * h * h / (2 * radius)), c - radius * slope, np.log(h), c, length]
    ends = [given_ground(heel), given_ground(toe), share, np.log(edge / radius)]
    return np.array([[*place, shape, *ends]])


@given(
    c=st.floats(-30, 30),
    lie=st.floats(-4, 4),
    d=st.floats(0.3, 6),
    width=st.sampled_from([4.0, 3.0]),
    shape=st.floats(0, 1),
    heel=st.floats(0.1, 20),
    toe=st.floats(0.1, 20),
    edge=st.floats(8, 80),
)
def test_cell_means_are_the_integral_of_the_pressure(c, lie, d, width, shape, heel, toe, edge):
    cells = Cells.of(32, 4.0, width)
    theta = theta_of(c, lie, d, shape=shape, heel=heel, toe=toe, edge=edge)
    got, _ = footprint_counts(theta, cells)
    slope = np.tan(np.radians(lie))
    top = d + 150.0 * slope**2

    def pressed(x):
        u = x - c
        off = max(0.0, -u - (39.0 - heel)) ** 2 + max(0.0, u - (39.0 - toe)) ** 2
        return max(0.0, d - u * u / 600.0 - u * slope - off / (2 * edge))

    def pressure(x):
        g = pressed(x) / top
        return 1000.0 * top * ((1 - shape) * g + shape * np.sqrt(g)) * (abs(x - c) <= 39.0)

    fine = c + np.linspace(-39.0, 39.0, 4001)
    on = np.array([pressed(x) > 0 for x in fine])
    bounds = fine[:-1][on[:-1] != on[1:]]
    for i in range(0, 32, 3):
        a, b = cells.left[i], cells.right[i]
        kinks = [c - 39.0, c - 39.0 + heel, c + 39.0 - toe, c + 39.0, *bounds]
        kinks = sorted(x for x in kinks if a < x < b)
        want = quad(pressure, a, b, points=kinks or None, limit=200)[0] / width
        assert got[0, i] == pytest.approx(want, abs=3e-4 * 1000 * top)


def test_neighbours_get_what_a_cell_gives():
    own, _ = footprint_counts(theta_of(1.0, 0.5, 3.0), CELLS)
    got, _ = footprint_counts(theta_of(1.0, 0.5, 3.0, share=0.2), CELLS)
    want = np.convolve(own[0], [0.1, 0.8, 0.1], "same")
    np.testing.assert_allclose(got[0], want, atol=1e-9)


def test_ground_off_part_is_positive_and_its_inverse_is_right():
    given_mm = np.linspace(-300.0, 30.0, 400)
    w, slope = ground_off(given_mm)
    assert (w > 0).all()
    np.testing.assert_allclose([given_ground(x) for x in w], given_mm, rtol=1e-9, atol=1e-9)
    up, down = ground_off(given_mm + 1e-5)[0], ground_off(given_mm - 1e-5)[0]
    np.testing.assert_allclose(slope, (up - down) / 2e-5, atol=1e-6)


@pytest.mark.parametrize("sag", [None, np.linspace(0, 300, 32)[None]])
@pytest.mark.parametrize("lie", [-1.7, 0.4, 3.0])
@pytest.mark.parametrize("ground", [0.3, 7.0])
def test_jacobian_is_that_of_finite_differences(lie, ground, sag):
    theta = theta_of(3.7, lie, 3.0, shape=0.4, heel=ground, toe=1.3 * ground, share=0.08)
    _, jacobian = footprint_counts(theta, CELLS, sag)
    for j in range(10):
        step = np.zeros(10)
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
        moved = theta + s * (np.arange(10) == 3)
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


def test_hertz_line_contact():
    # Johnson 4.2: a^2 = 4 P R/(pi E*), p0 = 2 P/(pi a). For E* 5 MPa, R 250 mm, P 3000 N/m:
    # a = 13.8198 mm, p0 = 138.198 kPa (worked from these).
    cells = Cells.of(600, 0.05, 0.05)
    theta = theta_of(0.0, 0.0, 1.0, radius=250.0, shape=1.0)
    theta[0, 0], theta[0, 2] = np.log(138.198), np.log(13.8198)
    kpa, _ = footprint_counts(theta, cells)
    assert (kpa * 0.05).sum() == pytest.approx(3000.0, abs=0.1)
    z = cells.middle / 13.8198
    want = 138.198 * np.sqrt(np.maximum(1 - z * z, 0))
    np.testing.assert_allclose(kpa[0][np.abs(z) < 0.98], want[np.abs(z) < 0.98], rtol=1e-3)


@pytest.mark.parametrize("shape", [0.0, 0.5, 1.0])
@given(tilt=st.floats(-1.5, 1.5))
def test_tilt_moves_the_centroid_by_radius_times_slope(shape, tilt):
    # Johnson 4.2, 4.3: the pressure is symmetric about the lowest point, so its centroid is there.
    cells = Cells.of(400, 0.2, 0.2)
    counts, _ = footprint_counts(theta_of(0.0, tilt, 0.4, shape=shape), cells)
    centroid = (counts @ cells.middle)[0] / counts.sum()
    assert centroid == pytest.approx(-300 * np.tan(np.radians(tilt)), abs=0.01)
