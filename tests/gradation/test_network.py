from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import least_squares

from analysis.answers import NoAnswerError
from analysis.gradation.network import MeasuredLie, adjust, worst_reading_removed
from analysis.gradation.overlay import LieStep

# A height held fixed, as a reading so exact that nothing moves it.
FIXED = 1e-7


def levels(rows, u):
    return [LieStep(a, b, value, u_row) for (a, b, value), u_row in zip(rows, u, strict=True)]


# Ghilani and Wolf, Adjustment Computations, level net of figure 12.1 (from memory; the adjusted
# heights recalled with it, A 105.141, B 104.483, C 106.188, come out of an independent lstsq too).
# Overlays are to lies what level runs are to heights.
NET = (
    ("X", "A", 5.10),
    ("A", "Y", 2.34),
    ("Y", "C", -1.25),
    ("C", "X", -6.13),
    ("A", "B", -0.68),
    ("Y", "B", -3.00),
    ("B", "C", 1.70),
)
BENCH_MARKS = (MeasuredLie("X", 100.0, FIXED), MeasuredLie("Y", 107.5, FIXED))


def lie(network, label):
    return network.lie_deg[network.labels.index(label)]


def test_level_net_of_equal_weights():
    network = adjust(levels(NET, [0.05] * 7), BENCH_MARKS)
    assert [round(float(lie(network, p)), 3) for p in "ABC"] == [105.141, 104.483, 106.188]
    assert network.dof == 4


def test_level_net_weighted_by_distance():
    # Weights 1 / distance, distances 4 3 2 3 2 2 2: A 105.150, B 104.489, C 106.197.
    u = [0.05 * math.sqrt(d) for d in (4, 3, 2, 3, 2, 2, 2)]
    network = adjust(levels(NET, u), BENCH_MARKS)
    assert [round(float(lie(network, p)), 3) for p in "ABC"] == [105.150, 104.489, 106.197]


def test_ring_of_doubled_levels_as_printed_by_a_geodetic_program():
    # Sample output of GNU Gama 1.5 for a ring of four points levelled there and back, sigma 5 mm,
    # point 1a held at 1000 m (published on the web): adjusted heights, their standard deviations
    # 3.1 3.5 3.1 mm, [pvv] 146.625, largest normalised residual 1.68 at observation 6.
    rows = (
        ("1a", "4", -1.22500),
        ("4", "3", -0.84800),
        ("3", "2", 1.34200),
        ("2", "1a", 0.72000),
        ("1a", "2", -0.72400),
        ("2", "3", -1.33500),
        ("3", "4", 0.84200),
        ("4", "1a", 1.23100),
    )
    network = adjust(levels(rows, [0.005] * 8), [MeasuredLie("1a", 1000.0, FIXED)])
    heights = [float(lie(network, p)) for p in "432"]
    assert heights == pytest.approx([998.77513, 997.93325, 999.27487], abs=6e-6)
    place = [network.labels.index(p) for p in "432"]
    assert [round(float(u) * 1e3, 1) for u in network.u_deg[place]] == [3.1, 3.5, 3.1]
    assert network.chi2 * 25 == pytest.approx(146.625, abs=5e-3)
    assert network.dof == 5
    standardised = [abs(r.standardised) for r in network.readings[:8]]
    assert max(standardised) == pytest.approx(1.68, abs=5e-3)
    assert standardised.index(max(standardised)) == 5
    assert network.findings == ()


def test_against_least_squares_solved_outright():
    rng = np.random.default_rng(2)
    labels = ["4", "5", "6", "7", "8"]
    true = np.array([60.5, 61.0, 61.6, 62.1, 62.7])
    pairs = [(0, 1), (1, 2), (2, 3), (3, 4), (0, 2), (1, 3), (2, 4)]
    u_steps = rng.uniform(0.1, 0.3, len(pairs))
    steps = [
        LieStep(labels[a], labels[b], float(true[b] - true[a] + rng.normal(0, u)), float(u))
        for (a, b), u in zip(pairs, u_steps, strict=True)
    ]
    lies = [
        MeasuredLie(labels[i], float(true[i] + rng.normal(0, 0.25)), 0.25) for i in (0, 2, 2, 4)
    ]
    network = adjust(steps, lies)

    def misfit(x):
        at = dict(zip(labels, x, strict=True))
        return [(s.step_deg - at[s.second] + at[s.first]) / s.u_deg for s in steps] + [
            (m.lie_deg - at[m.label]) / m.u_deg for m in lies
        ]

    found = least_squares(misfit, np.full(5, 60.0), x_scale=1.0)
    assert network.lie_deg == pytest.approx(found.x, abs=1e-6)
    covariance = np.linalg.inv(found.jac.T @ found.jac)
    assert network.covariance_deg2 == pytest.approx(covariance, rel=1e-5)
    assert network.chi2 == pytest.approx(2 * found.cost, rel=1e-9)
    step, u = network.step_deg("5", "8")
    assert step == pytest.approx(found.x[4] - found.x[1], abs=1e-6)
    variance = covariance[4, 4] + covariance[1, 1] - 2 * covariance[1, 4]
    assert u == pytest.approx(math.sqrt(variance), rel=1e-5)
    # Redundancies sum to the degrees of freedom (Baarda).
    assert sum(r.redundancy for r in network.readings) == pytest.approx(network.dof)


def ring(bad=None, by=0.0):
    """Five clubs, each laid over its next and next but one, and two lies measured."""
    lies = {"5": 61.0, "6": 61.5, "7": 62.0, "8": 62.5, "9": 63.0}
    names = list(lies)
    pairs = list(pairwise(names)) + list(zip(names, names[2:], strict=False))
    steps = [
        LieStep(a, b, lies[b] - lies[a] + (by if (a, b) == bad else 0.0), 0.19) for a, b in pairs
    ]
    return steps, [MeasuredLie("5", 61.0), MeasuredLie("9", 63.0)]


def test_the_contradicting_overlay_is_named():
    steps, lies = ring(("6", "7"), 1.8)
    network = adjust(steps, lies)
    suspects = [r for r in network.readings if r.is_suspect]
    assert [r.name for r in suspects] == ["overlay of 6 and 7"]
    assert "overlay of 6 and 7 contradicts" in network.findings[0]
    # Residual over redundancy gives back what it was off by.
    assert suspects[0].residual_deg / suspects[0].redundancy == pytest.approx(1.8, rel=1e-9)
    assert "by 1.8°" in network.findings[0]
    fewer, same = worst_reading_removed(steps, lies, network)
    assert [s for s in steps if s not in fewer] == [suspects[0].reading]
    assert list(same) == lies
    again = adjust(fewer, same)
    assert again.findings == ()
    assert again.lie_deg == pytest.approx([61.0, 61.5, 62.0, 62.5, 63.0])


def test_a_contradicting_gauge_reading_is_named():
    steps, lies = ring()
    network = adjust(steps, [*lies, MeasuredLie("7", 64.0)])
    assert [r.name for r in network.readings if r.is_suspect] == ["measured lie of 7"]
    fewer, left = worst_reading_removed(steps, [*lies, MeasuredLie("7", 64.0)], network)
    assert list(fewer) == steps
    assert list(left) == lies


def test_a_loop_of_three_cannot_tell_which():
    # Two overlays and one across them: the misfit may be any of the three.
    steps = [LieStep("6", "7", 0.5, 0.2), LieStep("7", "8", 0.5, 0.2), LieStep("6", "8", 2.5, 0.2)]
    network = adjust(steps)
    assert [r.is_suspect for r in network.readings] == [True, True, True]
    assert "which one cannot be told" in network.findings[0]
    assert worst_reading_removed(steps, [], network) == (tuple(steps), ())


def test_a_bare_chain_has_nothing_to_check_it():
    steps = [LieStep("6", "7", 0.5, 0.2), LieStep("7", "8", 0.7, 0.3)]
    network = adjust(steps, [MeasuredLie("6", 61.0, 0.25)])
    assert network.lie_deg == pytest.approx([61.0, 61.5, 62.2])
    assert network.u_deg == pytest.approx([0.25, math.hypot(0.25, 0.2), math.hypot(0.25, 0.2, 0.3)])
    assert all(math.isnan(r.standardised) for r in network.readings)
    assert network.dof == 0
    assert network.p_value == 1.0
    assert network.findings == ()


def test_without_a_measured_lie_only_steps_are_known():
    steps = [LieStep("6", "7", 0.5, 0.2), LieStep("8", "7", -0.7, 0.3)]
    network = adjust(steps)
    assert np.isnan(network.lie_deg).all()
    assert network.relative_deg == pytest.approx([0.0, 0.5, 1.2])
    step, u = network.step_deg("6", "8")
    assert step == pytest.approx(1.2)
    assert u == pytest.approx(math.hypot(0.2, 0.3))
    assert "no measured lie reaches 6, 7, 8" in network.findings[0]


def test_groups_that_nothing_connects():
    steps = [LieStep("4", "5", 0.5, 0.2), LieStep("8", "9", 0.6, 0.2)]
    network = adjust(steps, [MeasuredLie("8", 62.5)], labels=["4", "5", "7", "8", "9"])
    assert np.isnan(network.lie_deg).tolist() == [True, True, True, False, False]
    with pytest.raises(NoAnswerError, match="connects 4 and 8"):
        network.step_deg("4", "8")
    with pytest.raises(ValueError, match="no such club"):
        network.step_deg("4", "3")
    assert "nothing was read of 7" in network.findings
    # Two measured lies connect as well as an overlay does.
    both = adjust(steps, [MeasuredLie("8", 62.5, 0.3), MeasuredLie("4", 60.0, 0.4)])
    assert both.step_deg("4", "8")[0] == pytest.approx(2.5)
    assert both.step_deg("4", "8")[1] == pytest.approx(0.5)


def test_suspicion_of_sound_readings_is_as_rare_as_stated():
    # 90 % of sound sets are to pass without a suspect.
    rng = np.random.default_rng(4)
    steps, lies = ring()
    alarms = 0
    for _ in range(300):
        noisy = [
            LieStep(s.first, s.second, s.step_deg + rng.normal(0, s.u_deg), s.u_deg) for s in steps
        ]
        gauge = [MeasuredLie(m.label, m.lie_deg + rng.normal(0, m.u_deg), m.u_deg) for m in lies]
        alarms += any(r.is_suspect for r in adjust(noisy, gauge).readings)
    assert 0.04 < alarms / 300 < 0.15


def test_scatter_that_no_single_reading_explains():
    steps, lies = ring()
    signs = (1, -1, 1, -1, 1, -1, 1)
    wild = [
        LieStep(s.first, s.second, s.step_deg + 0.62 * k, 0.19)
        for s, k in zip(steps, signs, strict=True)
    ]
    network = adjust(wild, lies, confidence=0.999)
    assert network.p_value < 0.001
    assert any("scatter more" in words for words in network.findings)


def test_bad_readings_are_refused():
    with pytest.raises(NoAnswerError, match="nothing to adjust"):
        adjust([])
    with pytest.raises(ValueError, match="not among"):
        adjust([LieStep("6", "7", 0.5, 0.2)], labels=["6"])
    with pytest.raises(ValueError, match="same label"):
        adjust([LieStep("6", "7", 0.5, 0.2)], labels=["6", "7", "7"])
    with pytest.raises(ValueError, match="two clubs"):
        adjust([LieStep("6", "6", 0.5, 0.2)])
    with pytest.raises(ValueError, match="positive"):
        adjust([LieStep("6", "7", 0.5, 0.0)])
    with pytest.raises(ValueError, match="finite"):
        adjust([LieStep("6", "7", math.nan, 0.2)])
    with pytest.raises(ValueError, match="confidence"):
        adjust([LieStep("6", "7", 0.5, 0.2)], confidence=1.0)
