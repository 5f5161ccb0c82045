"""Response law of a strip: against circuit theory, and a simulated bar over simulated dividers."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.board.response_law import (
    DIVIDER,
    STRAIGHT,
    UNKNOWN,
    Circuit,
    ResponseLaw,
    best_resistor,
    law_from_passes,
    resistors,
)
from analysis.board.roller import Direction, RollerPass
from logger.cli.board.calibrate import read_load, read_ohm, shown_ohm
from logger.errors import UsageError
from simulators.strip import CellFaults, Grid, Sensing, Strip

FULL = 4095


def test_a_divider_is_made_straight_by_kirchhoffs_law():
    # V / V_supply = R / (R + R_film) (Kirchhoff; Horowitz and Hill, The Art of Electronics, 1.2.3:
    # from memory), film of 50 k at rest and 1 k pressed, over 10 k and 1 k.
    conductance = np.linspace(1 / 50e3, 1 / 1e3, 9)
    for fixed in (10e3, 1e3):
        read = FULL * fixed * conductance / (1 + fixed * conductance)
        above, left = read - read[0], FULL - read[0]
        straight = DIVIDER.straight(above, left)
        wanted = (conductance - conductance[0]) / (conductance[-1] - conductance[0])
        assert straight / straight[-1] == pytest.approx(wanted, abs=1e-9)
        # Taken as it is read, a press half as hard reads far more than half.
        assert (above / above[-1])[4] > 0.55
    # An amplifier reads the conductance itself.
    assert STRAIGHT.straight(np.array([1.0, 2000.0]), FULL) == pytest.approx([1.0, 2000.0])


def test_the_guides_resistor_reads_at_rest_what_kirchhoff_says():
    by_ohm = {one.ohm: one for one in resistors(50e3, 1e3)}
    assert by_ohm[10e3].rest_part * 5.0 == pytest.approx(0.833, abs=0.001)
    assert by_ohm[10e3].pressed_part == pytest.approx(10 / 11)
    # Most counts for a part more of load where the fixed resistor is the film's own: the derivative
    # of R / (R + r) by log r is greatest in size at R = r.
    assert best_resistor(resistors(50e3, 1e3)).ohm == 1e3
    assert best_resistor(resistors(300e3, 2.4e3)).ohm in (2.2e3, 2.7e3)


@pytest.mark.parametrize(("rest", "pressed"), [(1e3, 50e3), (4e3, 1e3), (0.0, 0.0), (1e400, 1.0)])
def test_a_film_measured_the_wrong_way_round_is_said(rest, pressed):
    with pytest.raises(ValueError, match="same two leads"):
        resistors(rest, pressed)


def bar(load: float, sensing: Sensing, way: Direction, rng: np.random.Generator) -> RollerPass:
    """Draw a bar of this load over a strip: depth as its load, in a foundation's own shape."""
    grid = Grid(cells=16, pitch_mm=4.0)
    faults = CellFaults.none(1.0)
    strip = Strip.build(np.random.default_rng(5), grid, sensing, faults)
    x = (np.arange(16) - 7.5) * 4.0
    place = np.linspace(-50, 50, 700) * int(way) + rng.normal(0, 0.02, 700)
    # A round bar presses d - u^2 / 2R, whose area is as its load: d^(3/2).
    depth = 1.2 * load ** (2 / 3)
    pressed = np.maximum(depth - (x - place[:, None]) ** 2 / (2 * 8.0), 0.0)[None, :, None, :]
    t = np.arange(700) * 2.0
    load_counts = strip.load_counts(pressed, t[None, :, None, None], strip.memory())
    counts = strip.to_counts(load_counts, strip.rest_counts(0), rng)[0]
    return RollerPass(t * 1000, counts, way)


def drawn(loads, sensing, seed=0):
    rng = np.random.default_rng(seed)
    ways = (Direction.TOWARD_POSITIVE, Direction.TOWARD_NEGATIVE) * 2
    passes = [bar(load, sensing, way, rng) for load in loads for way in ways]
    return passes, [load for load in loads for _ in ways]


@pytest.mark.parametrize(("fixed", "bend"), [(0.0, 0.0), (1e3, 1.0), (2.2e3, 1.0), (10e3, 1.0)])
def test_two_loads_of_a_bar_tell_the_law(fixed, bend):
    sensing = Sensing(full_scale=FULL, divider_ohm=fixed, counts_per_mm=600.0)
    passes, loads = drawn((1.0, 2.5), sensing)
    law = law_from_passes(passes, loads, pitch_mm=4.0, full_scale=FULL)
    assert abs(law.bend - bend) < 3 * law.bend_u
    assert law.bend_u < 0.4
    assert ResponseLaw.from_plain(law.to_plain()) == law


@pytest.mark.parametrize(
    ("loads", "words"),
    [((2.0, 2.0), "too much alike"), ((2.5, 1.0), "in the order"), ((2.0,), "too much alike")],
)
def test_loads_that_tell_nothing_are_refused(loads, words):
    sensing = Sensing(full_scale=FULL, divider_ohm=2.2e3, counts_per_mm=600.0)
    passes, _ = drawn((1.0, 2.5)[: len(loads)], sensing)
    of_pass = [load for load in loads for _ in range(4)]
    with pytest.raises(NoAnswerError, match=words):
        law_from_passes(passes, of_pass, pitch_mm=4.0, full_scale=FULL)


def test_a_bar_rolled_back_over_the_cells_is_left_out():
    sensing = Sensing(full_scale=FULL, divider_ohm=2.2e3, counts_per_mm=600.0)
    passes, loads = drawn((1.0, 2.5), sensing)
    one = passes[1]
    twice = np.concatenate([one.counts[:400], one.counts[400:200:-1], one.counts[200:]])
    passes[1] = RollerPass(np.arange(len(twice)) * 2000.0, twice, one.direction)
    law = law_from_passes(passes, loads, pitch_mm=4.0, full_scale=FULL)
    assert abs(law.bend - 1.0) < 3 * law.bend_u


@pytest.mark.parametrize("content", [{}, {"bend": 1.0}, {"bend": 9, "bend_u": 0, "circuit": "x"},
                                     {"bend": 9, "bend_u": 0, "circuit": "divider"}])  # fmt: skip
def test_what_is_no_law_is_refused(content):
    with pytest.raises(ValueError):  # noqa: PT011 - each says its own
        ResponseLaw.from_plain(content)


def test_words_and_units_as_a_person_types_them():
    assert [read_ohm(t) for t in ("820", "50k", "4k7", "1.2k", "1M", "2,2 k", "1M5")] == [
        820, 50e3, 4.7e3, 1.2e3, 1e6, 2.2e3, 1.5e6,
    ]  # fmt: skip
    assert [shown_ohm(o) for o in (820, 2200, 1e6)] == ["820", "2.2k", "1M"]
    assert read_load("2kg") == pytest.approx(19.61, abs=0.01)
    assert read_load("900 g") == pytest.approx(8.83, abs=0.01)
    for wrong in ("two", "-1kg", "0kg", "2"):
        with pytest.raises(UsageError):
            read_load(wrong)
    with pytest.raises(UsageError):
        read_ohm("k")
    assert "divider" in DIVIDER.words
    assert "50 %" in DIVIDER.words
    assert STRAIGHT.words == "cells read by an amplifier: readings go as the load"
    assert "nobody said" in UNKNOWN.words
    assert UNKNOWN.circuit is Circuit.UNKNOWN
