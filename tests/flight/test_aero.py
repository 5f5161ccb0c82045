from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.flight.trajectory import Air, SmitsSmith

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


def test_default_air_is_the_standard_at_sea_level():
    # ISO 2533:1975, tables at 0 m (from memory).
    assert (Air().density_kg_m3, Air().viscosity_m2_s) == (1.2250, 1.4607e-5)


def test_a_second_wind_tunnel_agrees_to_a_sixth():
    speed, rpm, drag, lift = np.array(BEARMAN_HARVEY).T
    diameter = 0.0411
    ratio = rpm * math.pi / 30 * diameter / 2 / speed
    cd, cl = SmitsSmith().coefficients(speed, ratio, speed * diameter / 1.46e-5)
    rms_drag = float(np.sqrt(np.mean((cd / drag - 1) ** 2)))
    rms_lift = float(np.sqrt(np.mean((cl / lift - 1) ** 2)))
    assert rms_drag < 1 / 6
    assert rms_lift < 1 / 6


@pytest.mark.parametrize("bad", [(0.0, 1e-5), (1.2, 0.0), (-1.0, 1e-5)])
def test_air_must_be_air(bad):
    with pytest.raises(ValueError, match="positive"):
        Air(*bad)
