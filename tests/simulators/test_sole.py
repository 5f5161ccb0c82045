"""The sole's physics against contact mechanics worked out elsewhere and against brute force."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulators.sole import Grid, Pass, Sole, crossing_ms, lowest_point_mm, pressed_mm

# So wide and flat front to back that a row sees the heel-to-toe profile alone.
PLANE = {"width_mm": 1e4, "front_back_radius_mm": 1e9}
FLAT_SWING = {"arc_radius_mm": 1e9, "speed_mm_per_ms": 35.0}
FINE = Grid(cells=801, pitch_mm=0.1)
STILL = np.zeros((1, 1, 1, 1))


def profile(sole, swing, grid=FINE, **more):
    return pressed_mm(sole, swing, grid, STILL, **more)[0, 0, 0]


def test_elastic_foundation_worked_values():
    # Johnson, Contact Mechanics (CUP 1985), section 4.3, plane case: delta = a^2/2R,
    # p0 = K delta / h, P = 2 K a^3 / 3 R h. Worked: K 2 MPa, h 4 mm, R 250 mm, P 3000 N/m give
    # a 13.1037 mm, p0 171.707 kPa, delta 0.343414 mm.
    per_mm = 2.0 / 4.0
    sole = Sole(camber_mm=250.0, length_mm=1e3, **PLANE)
    depth = profile(sole, Pass(depth_mm=0.343414, **FLAT_SWING))
    x = FINE.middles_mm
    assert depth.max() * per_mm * 1000 == pytest.approx(171.707, rel=1e-4)
    assert depth.sum() * FINE.pitch_mm * per_mm * 1000 == pytest.approx(3000.0, rel=1e-4)
    assert np.abs(x[depth > 0]).max() == pytest.approx(13.1037, abs=0.1)
    parabola = 0.343414 * np.maximum(0.0, 1 - (x / 13.1037) ** 2)
    # The cell that holds the patch's end reads a mean over the kink there.
    assert depth == pytest.approx(parabola, abs=1e-3)


def test_semi_ellipse_has_the_load_of_a_hertz_line_contact():
    # Johnson section 4.2: p0 = 2P/(pi a).
    sole = Sole(camber_mm=250.0, length_mm=1e3, **PLANE)
    swing = Pass(depth_mm=0.343414, **FLAT_SWING)
    depth = profile(sole, swing, semi_elliptic=True)
    load = depth.sum() * FINE.pitch_mm
    assert 2 * load / (np.pi * 13.1037) == pytest.approx(depth.max(), rel=2e-3)


@pytest.mark.parametrize(
    ("camber_mm", "mm_per_deg"), [(150.0, 2.618), (200.0, 3.491), (250.0, 4.363), (300.0, 5.236)]
)
def test_one_degree_moves_the_mark_by_the_small_angle_value(camber_mm, mm_per_deg):
    # Rolling of an arc, R sin(1 deg): 2.618, 3.491, 4.363, 5.236 mm (5.24 at R = 300).
    sole = Sole(camber_mm=camber_mm, length_mm=1e3, **PLANE)
    depth = profile(sole, Pass(depth_mm=0.8, lie_error_deg=1.0, **FLAT_SWING))
    centroid = (depth * FINE.middles_mm).sum() / depth.sum()
    # Too upright: the heel digs, and the toe is at positive x for a right-hander.
    assert centroid == pytest.approx(-mm_per_deg, abs=0.005)
    assert lowest_point_mm(sole, 1.0) == pytest.approx(-mm_per_deg, abs=0.13)


def test_left_hander_is_the_mirror_image():
    sole = Sole(**PLANE)
    swing = Pass(depth_mm=1.5, lie_error_deg=1.3, c_mm=4.0, **FLAT_SWING)
    mirrored = replace(swing, c_mm=-4.0, hand=-1)
    assert profile(sole, mirrored) == pytest.approx(profile(sole, swing)[::-1])


def test_end_of_the_strip_pulls_the_centroid_inward():
    # Johnson 4.3, consequence: a patch cut off at the strip's end is not symmetric any more.
    sole, swing = Sole(**PLANE), Pass(depth_mm=1.5, c_mm=30.0, **FLAT_SWING)
    narrow = Grid(cells=700, pitch_mm=0.1)
    depth = profile(sole, swing, narrow)
    assert (depth * narrow.middles_mm).sum() / depth.sum() < 25.0


def test_no_load_beyond_the_ends_of_the_sole():
    depth = profile(Sole(length_mm=60.0, **PLANE), Pass(depth_mm=4.0, c_mm=3.0, **FLAT_SWING))
    touched = FINE.middles_mm[depth > 0]
    assert (touched.min(), touched.max()) == pytest.approx((-27.0, 33.0), abs=0.11)


@pytest.mark.parametrize("semi_elliptic", [False, True])
def test_closed_form_against_brute_force(semi_elliptic):
    sole = Sole(front_back_radius_mm=45.0, width_mm=19.0, worn_edge_mm=1.5, flat_mm=6.0,
                heel_relief_mm=9.0, toe_relief_mm=5.0)  # fmt: skip
    swing = Pass(c_mm=2.0, lie_error_deg=-1.4, depth_mm=2.1, trail_mm=1.7, low_point_mm=8.0)
    grid = Grid(rows=2)
    t_ms = np.linspace(-0.5, 1.0, 16)[None, :, None, None] + np.zeros((1, 16, 2, 32))
    got = pressed_mm(sole, swing, grid, t_ms, semi_elliptic=semi_elliptic)

    across = np.linspace(-grid.row_width_mm / 2, grid.row_width_mm / 2, 801)
    along_strip = (np.arange(40) + 0.5) / 40 * grid.pitch_mm - grid.pitch_mm / 2
    brute = np.zeros_like(got)
    for row in range(2):
        for index in range(16):
            reached = 35.0 * t_ms[0, index, row, 0]
            v = reached - (grid.row_middles_mm[row] + across)
            u = grid.middles_mm[:, None] + along_strip - 2.0
            height = np.maximum(0, abs(u) - 3.0) ** 2 / 600
            height += np.maximum(0, -u - 30.0) ** 2 / 180 + np.maximum(0, u - 34.0) ** 2 / 180
            middle = 2.1 - height - u * np.tan(np.radians(-1.4)) - (reached - 8.0) ** 2 / 3400
            depth = middle[..., None] - (v - 1.7) ** 2 / 90
            depth = np.where((abs(u) <= 39.0)[..., None], depth, 0.0)
            depth = np.where((v >= -8.0) & (v <= 9.5), depth, 0.0)
            depth = np.maximum(0.0, depth)
            if semi_elliptic:
                top = 2.1 - (height + u * np.tan(np.radians(-1.4))).min()
                depth = np.sqrt(depth * top)
            # A fine mean: numpy's trapezoid has another name before version 2.
            brute[0, index, row] = depth.mean(axis=(-2, -1))
    # Four midpoints a cell against forty.
    assert np.abs(got - brute).max() < (0.05 if semi_elliptic else 0.02) * brute.max()
    assert brute.max() > 1.5


def test_a_strike_lasts_as_long_as_sole_and_row_need_to_pass():
    # (20 + 8) mm at 35 mm/ms: the arithmetic of a deep press.
    sole, swing = Sole(), Pass(depth_mm=3.0, speed_mm_per_ms=35.0)
    t_ms = np.arange(-1.0, 1.0, 0.001)[None, :, None, None]
    loaded = t_ms.ravel()[pressed_mm(sole, swing, Grid(), t_ms)[0].max(axis=(1, 2)) > 0]
    assert loaded[-1] - loaded[0] == pytest.approx(28 / 35, abs=0.005)
    assert crossing_ms(sole, swing, Grid()) == pytest.approx((-0.4, 0.4))


def test_rows_are_reached_one_after_another_and_trail_delays_the_peak():
    grid = Grid(rows=2, row_distance_mm=12.0)
    t_ms = np.arange(-0.6, 1.2, 0.001)[None, :, None, None]

    def peak_ms(**change):
        swing = replace(Pass(speed_mm_per_ms=30.0, arc_radius_mm=1e9), **change)
        load = pressed_mm(Sole(), swing, grid, t_ms)[0].sum(axis=2)
        return t_ms.ravel()[load.argmax(axis=0)]

    level = peak_ms()
    assert level == pytest.approx([0.0, 12.0 / 30.0], abs=0.002)
    # The trailing edge comes last: a low point 3 mm toward it presses 3/30 ms later.
    assert peak_ms(trail_mm=3.0) - level == pytest.approx(3.0 / 30.0, abs=0.002)


def test_wear_and_grinding_do_what_they_say():
    level = Pass(depth_mm=2.5, **FLAT_SWING)
    plain = profile(Sole(**PLANE), level)
    heel = profile(Sole(heel_relief_mm=15.0, **PLANE), level)
    x = FINE.middles_mm
    assert heel[x > -20] == pytest.approx(plain[x > -20])
    assert heel[x < -30].sum() < 0.8 * plain[x < -30].sum()
    # A flat middle: a small lie error throws the lowest point to the end of the flat at once.
    flat = Sole(flat_mm=20.0)
    assert lowest_point_mm(flat, 0.0) == pytest.approx(0.0, abs=0.01)
    assert lowest_point_mm(flat, 0.2) == pytest.approx(
        -10.0 - 300 * np.tan(np.radians(0.2)), abs=0.02
    )
    # A worn leading edge comes later by what is worn off.
    t_ms = np.arange(-0.6, 0.0, 0.0005)[None, :, None, None]
    deep = Pass(depth_mm=3.0, speed_mm_per_ms=35.0)
    first = [
        t_ms.ravel()[(pressed_mm(s, deep, Grid(), t_ms)[0].max(axis=(1, 2)) > 0).argmax()]
        for s in (Sole(), Sole(worn_edge_mm=3.0))
    ]
    assert first[1] - first[0] == pytest.approx(3.0 / 35.0, abs=0.002)


def test_many_at_once_are_the_same_as_one_by_one():
    rng = np.random.default_rng(5)
    errors, middles, cambers = rng.uniform(-3, 3, 7), rng.normal(0, 5, 7), rng.uniform(200, 360, 7)
    t_ms = np.linspace(-0.3, 0.3, 5)[None, :, None, None]
    many = pressed_mm(
        Sole(camber_mm=cambers), Pass(lie_error_deg=errors, c_mm=middles), Grid(),
        np.repeat(t_ms, 7, axis=0),
    )  # fmt: skip
    for i in range(7):
        one = pressed_mm(Sole(camber_mm=float(cambers[i])),
                         Pass(lie_error_deg=float(errors[i]), c_mm=float(middles[i])),
                         Grid(), t_ms)  # fmt: skip
        assert many[i] == pytest.approx(one[0])
    assert lowest_point_mm(Sole(camber_mm=cambers), errors) == pytest.approx(
        np.clip(-cambers * np.tan(np.radians(errors)), -39, 39), abs=0.011
    )
