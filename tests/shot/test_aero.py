from __future__ import annotations

import math

import numpy as np
import pytest

from analysis import shot
from analysis.aero import Air, ConstantAerodynamics, SmitsSmith, air_at

# Bearman and Harvey, Aeronautical Quarterly 27 (1976) 112-122, hexagonal dimples, a few points as
# digitised by a third party: speed m/s, spin rpm, drag and lift coefficient. Their ball was 41.1 mm
# (1.62 in, from memory).
BEARMAN_HARVEY = (
    (29.9, 2000, 0.2765, 0.2460),
    (46.9, 2000, 0.2472, 0.1762),
    (46.9, 3400, 0.2732, 0.2197),
    (63.1, 3400, 0.2599, 0.1813),
    (29.9, 6000, 0.3882, 0.3724),
    (46.9, 6000, 0.3285, 0.3005),
    (55.2, 6000, 0.3076, 0.2662),
)


@pytest.mark.parametrize(
    ("temperature_c", "pressure_hpa", "density", "viscosity"),
    [
        # ISO 2533:1975, tables at 0, 1000 and 3000 m (from memory).
        (15.0, 1013.25, 1.2250, 1.4607e-5),
        (8.5, 898.746, 1.1117, 1.5813e-5),
        (-4.5, 701.085, 0.90912, 1.8630e-5),
    ],
)
def test_standard_atmosphere(temperature_c, pressure_hpa, density, viscosity):
    air = air_at(temperature_c, pressure_hpa)
    assert air.density_kg_m3 == pytest.approx(density, rel=1e-4)
    assert air.viscosity_m2_s == pytest.approx(viscosity, rel=1e-4)


def test_default_air_is_the_standard_at_sea_level():
    assert air_at(15.0).density_kg_m3 == pytest.approx(Air().density_kg_m3, rel=1e-4)
    assert air_at(15.0).viscosity_m2_s == pytest.approx(Air().viscosity_m2_s, rel=1e-4)


def test_the_stated_doubt_covers_a_second_wind_tunnel():
    speed, rpm, drag, lift = np.array(BEARMAN_HARVEY).T
    diameter = 0.0411
    ratio = rpm * math.pi / 30 * diameter / 2 / speed
    cd, cl = SmitsSmith().coefficients(speed, ratio, speed * diameter / 1.46e-5)
    # Two fits, both as uncertain as stated, differ by the square root of 2 times that.
    rms_drag = float(np.sqrt(np.mean((cd / drag - 1) ** 2)))
    rms_lift = float(np.sqrt(np.mean((cl / lift - 1) ** 2)))
    assert rms_drag == pytest.approx(math.sqrt(2) * shot._U_DRAG_SHARE, rel=0.3)
    assert rms_lift == pytest.approx(math.sqrt(2) * shot._U_LIFT_SHARE, rel=0.3)


def test_constant_coefficients_keep_the_shape():
    speed = np.array([10.0, 20.0, 30.0])
    cd, cl = ConstantAerodynamics(0.3, 0.2).coefficients(speed, speed, speed)
    assert cd.tolist() == [0.3] * 3
    assert cl.tolist() == [0.2] * 3


@pytest.mark.parametrize("bad", [(0.0, 1e-5), (1.2, 0.0), (-1.0, 1e-5)])
def test_air_must_be_air(bad):
    with pytest.raises(ValueError, match="positive"):
        Air(*bad)


@pytest.mark.parametrize("bad", [(-120.0, 1000.0), (15.0, 0.0), (math.nan, 1000.0)])
def test_weather_must_be_possible(bad):
    with pytest.raises(ValueError, match="°C"):
        air_at(*bad)
