import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.setfiles.units import inches_from_mm, mm_from_inches


# International yard and pound agreement, 1959: 1 in = 25.4 mm exactly, 1 yd = 0.9144 m exactly.
@pytest.mark.parametrize(("inches", "mm"), [(1, 25.4), (36, 914.4), (0, 0), (-0.5, -12.7)])
def test_inches_are_the_international_inch(inches, mm):
    assert mm_from_inches(inches) == pytest.approx(mm, rel=1e-15)
    assert inches_from_mm(mm) == pytest.approx(inches, rel=1e-15)


@pytest.mark.parametrize(("inches", "mm"), [(18, 457), (48, 1219)])
def test_lengths_of_the_equipment_rules(inches, mm):
    # R&A/USGA Equipment Rules, Part 2, 1c: not less than 18 in (0.457 m), not more than 48 in
    # (1.219 m); from memory.
    assert round(mm_from_inches(inches)) == mm


@given(st.floats(-1e6, 1e6))
def test_there_and_back(mm):
    assert mm_from_inches(inches_from_mm(mm)) == pytest.approx(mm, rel=1e-15, abs=1e-300)
