from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.statistics.budget import (
    WHAT_TO_IMPROVE,
    Contribution,
    combine,
    coverage_factor,
)


def test_gum_h1_end_gauge():
    # JCGM 100:2008, H.1, in nm. l_s 50 000 623 nm; l_s = 50e6 nm for the sensitivities.
    d = round(math.sqrt(5.8**2 + 3.9**2 + 6.7**2), 1)
    d_dof = d**4 / (5.8**4 / 24 + 3.9**4 / 5 + 6.7**4 / 8)
    assert (round(d, 1), round(d_dof, 1)) == (9.7, 25.6)
    found = combine(
        [
            Contribution("standard", 25.0, "nm", 1.0, 18),
            Contribution("difference", d, "nm", 1.0, d_dof, correction=215.0),
            Contribution("expansion difference", 1e-6 / math.sqrt(3), "1/degC", -50e6 * -0.1, 50),
            Contribution("temperature difference", 0.05 / math.sqrt(3), "degC", -50e6 * 11.5e-6, 2),
        ],
        reading=50_000_623.0,
        level=0.99,
    )
    assert round(found.value * 1e-6, 6) == 50.000838
    assert round(found.u) == 32
    assert found.dof == pytest.approx(16.7, abs=0.1)
    assert round(found.factor, 2) == 2.92
    # Printed 93 nm is 2.92 x 32, both rounded.
    assert round(round(found.factor, 2) * round(found.u)) == 93
    assert found.expanded == pytest.approx(92.5, abs=0.1)
    assert [line.contribution.name for line in found.lines] == [
        "standard",
        "temperature difference",
        "difference",
        "expansion difference",
    ]
    # H.1.2 prints 25, 16.6, 9.7 and 2.9 nm.
    assert [round(line.u_result, 1) for line in found.lines] == [25.0, 16.6, 9.7, 2.9]
    assert sum(line.share for line in found.lines) == pytest.approx(1.0)


def test_gum_h2_resistance_and_reactance():
    # JCGM 100:2008, H.2: voltage, current and phase are correlated.
    data = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )
    v, i, phi = data.mean(axis=1)
    u = data.std(axis=1, ddof=1) / math.sqrt(5)
    r = np.corrcoef(data)
    assert [round(x, 2) for x in (r[0, 1], r[0, 2], r[1, 2])] == [-0.36, 0.86, -0.65]
    correlations = {("V", "I"): r[0, 1], ("V", "phi"): r[0, 2], ("I", "phi"): r[1, 2]}

    def u_of(by_v, by_i, by_phi):
        parts = [
            Contribution("V", u[0], "V", by_v),
            Contribution("I", u[1], "A", by_i),
            Contribution("phi", u[2], "rad", by_phi),
        ]
        found = combine(parts, correlations=correlations)
        assert sum(line.share for line in found.lines) == pytest.approx(1.0)
        return found.u

    z = v / i
    resistance = (math.cos(phi) / i, -z * math.cos(phi) / i, -z * math.sin(phi))
    reactance = (math.sin(phi) / i, -z * math.sin(phi) / i, z * math.cos(phi))
    assert round(z * math.cos(phi), 3) == 127.732
    assert round(u_of(*resistance), 3) == 0.071
    assert u_of(*reactance) == pytest.approx(0.295, abs=1e-3)
    assert round(u_of(1 / i, -z / i, 0.0), 3) == 0.236


def test_full_correlation_adds_or_cancels():
    # GUM 5.2.2, note 1: with r = 1 the standard uncertainties add linearly.
    a, b = Contribution("a", 3.0, "mm"), Contribution("b", 4.0, "mm")
    assert combine([a, b]).u == pytest.approx(5.0)
    assert combine([a, b], correlations={("a", "b"): 1.0}).u == pytest.approx(7.0)
    cancelled = combine([a, b], correlations={("a", "b"): -1.0})
    assert cancelled.u == pytest.approx(1.0)
    assert min(line.share for line in cancelled.lines) < 0


@pytest.mark.parametrize(
    ("dof", "factor"),
    [(1, 12.7062), (4, 2.7764), (10, 2.2281), (29, 2.0452), (120, 1.9799), (math.inf, 1.9600)],
)
def test_coverage_factor_is_the_t_table(dof, factor):
    # GUM Table G.2 and any table of Student's t, 95 %.
    assert coverage_factor(dof, 0.95) == pytest.approx(factor, abs=5e-5)


def test_welch_satterthwaite_of_one_is_itself():
    found = combine([Contribution("a", 2.0, "mm", dof=7), Contribution("b", 0.0, "mm", dof=1)])
    assert found.dof == pytest.approx(7.0)
    assert found.factor == pytest.approx(coverage_factor(7))
    exact = combine([Contribution("a", 0.0, "mm")], reading=3.0)
    assert (exact.value, exact.u, exact.expanded, exact.dof) == (3.0, 0.0, 0.0, math.inf)


def test_what_to_improve_names_the_largest():
    found = combine(
        [
            Contribution("contact scatter", 1.2, "mm", -0.2, improve_key="scatter"),
            Contribution("stance height", 10.0, "mm", 0.14, improve_key="stance"),
        ]
    )
    assert found.lines[0].contribution.improve_key == "stance"
    assert "stance mat" in WHAT_TO_IMPROVE["stance"]
    assert {line.contribution.improve_key for line in found.lines} <= set(WHAT_TO_IMPROVE)
    shares = [line.share for line in found.lines]
    assert shares == sorted(shares, reverse=True)


def test_impossible_budgets_are_refused():
    a, b, c = (Contribution(name, 1.0, "mm") for name in "abc")
    with pytest.raises(NoAnswerError):
        combine([])
    with pytest.raises(ValueError, match="same name"):
        combine([a, a])
    with pytest.raises(ValueError, match="not a number >= 0"):
        combine([Contribution("a", -1.0, "mm")])
    with pytest.raises(ValueError, match="not a number >= 0"):
        combine([Contribution("a", math.nan, "mm")])
    with pytest.raises(ValueError, match="not positive"):
        combine([Contribution("a", 1.0, "mm", dof=0)])
    with pytest.raises(ValueError, match="no such pair"):
        combine([a, b], correlations={("a", "x"): 0.5})
    with pytest.raises(ValueError, match="within -1 and 1"):
        combine([a, b], correlations={("a", "b"): 1.5})
    with pytest.raises(ValueError, match="cannot all be true"):
        combine([a, b, c], correlations={("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9})
    with pytest.raises(ValueError, match="degrees of freedom"):
        coverage_factor(0)
    with pytest.raises(ValueError, match="coverage"):
        coverage_factor(5, 1.0)
