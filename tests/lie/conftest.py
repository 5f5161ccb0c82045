"""Small published tables, read once."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from analysis.lie.club import Level, SoleArc, Stance
from analysis.lie.set_types import SetClub, SetStrikes

DATA = Path(__file__).parent / "data"
RADIUS_MM = 300.0
NO_LEVEL, NO_STANCE = Level(0.0, 0.0), Stance(0.0, 0.0)


@pytest.fixture
def table():
    """Return a function: name of a table -> its columns as lists of words."""

    def read(name):
        with (DATA / f"{name}.csv").open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
        return {key: [row[key] for row in rows] for key in rows[0]}

    return read


@pytest.fixture
def irons():
    """Return a function: number of clubs -> irons half an inch apart with a known radius."""

    def make(n, **changes):
        return [
            SetClub(
                f"{i + 3}i",
                **{
                    "length_mm": 980.0 - 12.7 * i,
                    "sole": SoleArc(RADIUS_MM, 0.0, measured=True),
                    **changes,
                },
            )
            for i in range(n)
        ]

    return make


@pytest.fixture
def strikes_of():
    """Return a function: clubs and lie errors in degrees -> strikes of soles of known radius."""

    def make(club, lie_deg, **settings):
        toe = -RADIUS_MM * np.tan(np.radians(np.asarray(lie_deg, dtype=float)))
        return SetStrikes.of(club, toe, **{"u_mm": 0.0, **settings})

    return make


@pytest.fixture
def sure():
    """Level and stance that are known, as keyword arguments."""
    return {"level": NO_LEVEL, "stance": NO_STANCE}
