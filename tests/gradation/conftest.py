from __future__ import annotations

import pytest

from analysis.gradation.types import StaticClub

# An invented set on one of the trade's usual progressions (common practice): half an inch and half
# a degree a club, lofts 3 to 5 degrees apart.
ROWS = (
    ("4", 38.5, 60.5, 22.0),
    ("5", 38.0, 61.0, 25.0),
    ("6", 37.5, 61.5, 28.5),
    ("7", 37.0, 62.0, 32.5),
    ("8", 36.5, 62.5, 36.5),
    ("9", 36.0, 63.0, 41.0),
    ("P", 35.5, 63.5, 46.0),
)


@pytest.fixture
def clubs():
    """The set, with changes by label: clubs(P={"lie_deg": 65.0})."""

    def build(**changes):
        out = []
        for label, inches, lie, loft in ROWS:
            fields = {"length_mm": inches * 25.4, "lie_deg": lie, "loft_deg": loft}
            fields |= changes.get(f"c{label}", {})
            out.append(StaticClub(label, **fields))
        return out

    return build
