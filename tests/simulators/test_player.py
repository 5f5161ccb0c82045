"""The invented player and set: what is drawn has the properties it says it has."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from simulators.clubs import LEVEL_DEG, PIVOT_LENGTH_MM, SLOPE_DEG_PER_MM, default_set
from simulators.contacts import Contact, Press
from simulators.player import Player, schedule
from simulators.sole import Grid

SWINGS = 4000


def swings(player, club, seed=0, before=0):
    rng = np.random.default_rng(seed)
    drawn = [player.swing(rng, club, before) for _ in range(SWINGS)]
    lie = np.array([float(s.lie_error_deg) for s, _ in drawn])
    c_mm = np.array([float(s.c_mm) for s, _ in drawn])
    return lie, c_mm, np.array([mishit for _, mishit in drawn])


def test_the_set_grades_and_one_club_is_off():
    clubs = default_set()
    assert [club.label for club in clubs] == ["4i", "5i", "6i", "7i", "8i", "9i", "PW", "SW"]
    lengths, lies, lofts = (
        np.array([getattr(c, f) for c in clubs]) for f in ("length_mm", "lie_deg", "loft_deg")
    )
    # Longer = flatter, and a loft step of 3 to 5 degrees, 10 at most before the last wedge
    # (common practice, no source).
    assert (np.diff(lengths) < 0).all()
    assert (np.diff(lies) > 0).all()
    assert ((np.diff(lofts) >= 3) & (np.diff(lofts) <= 10)).all()
    line = LEVEL_DEG + SLOPE_DEG_PER_MM * (lengths - PIVOT_LENGTH_MM)
    off = np.array([club.lie_error_deg for club in clubs]) - line
    assert off[2] == pytest.approx(1.8, abs=0.01)
    assert np.abs(np.delete(off, 2)).max() <= 0.2 + 1e-3


def test_lie_and_delivery_have_the_means_and_tails_asked_for():
    player, club = Player(), default_set()[3]
    lie, c_mm, mishit = swings(player, club)
    # Five standard errors, scatter of the mishits included.
    assert lie.mean() == pytest.approx(club.lie_error_deg, abs=5 * lie.std() / np.sqrt(SWINGS))
    assert c_mm.mean() == pytest.approx(4.0, abs=5 * c_mm.std() / np.sqrt(SWINGS))
    assert mishit.mean() == pytest.approx(0.07, abs=5 * np.sqrt(0.07 * 0.93 / SWINGS))
    assert lie[~mishit].std() == pytest.approx(0.55, rel=0.06)
    assert c_mm[~mishit].std() == pytest.approx(4.5, rel=0.06)
    # A normal's kurtosis is 3: the mishits make the tails heavy.
    assert ((lie - lie.mean()) ** 4).mean() / lie.var() ** 2 > 5
    assert np.corrcoef(lie, c_mm)[0, 1] == pytest.approx(0.25, abs=0.08)


def test_delivery_is_the_same_for_all_clubs_and_mirrored_for_a_left_hander():
    means = [swings(Player(), club, seed=i)[1].mean() for i, club in enumerate(default_set()[:3])]
    assert means == pytest.approx([4.0] * 3, abs=0.5)
    assert swings(Player(hand=-1), default_set()[0])[1].mean() == pytest.approx(-4.0, abs=0.5)


def test_fatigue_drifts():
    fresh = swings(Player(mishit_chance=0.0), default_set()[3])[0]
    tired = swings(Player(mishit_chance=0.0), default_set()[3], before=100)[0]
    assert tired.mean() - fresh.mean() == pytest.approx(0.25, abs=0.06)
    assert tired.std() / fresh.std() == pytest.approx(1.25, rel=0.06)


@pytest.mark.parametrize("pace_ns", [150_000_000, 20_000_000_000])
def test_schedule_keeps_pace_order_and_true_microseconds(pace_ns):
    rng = np.random.default_rng(8)
    events = schedule(rng, Player(), default_set(), 40, pace_ns=pace_ns)
    times = [event.at_ns for event in events]
    assert times == sorted(times)
    presses = [e for e in events if isinstance(e, Press)]
    assert [p.club for p in presses] == ["4i", "5i", "6i", "7i", "8i", "9i", "PW"]
    contacts = [e for e in events if isinstance(e, Contact)]
    kinds = Counter(c.kind for c in contacts)
    assert kinds["strike"] == 320
    # Five standard deviations of each count.
    assert kinds["rest"] == pytest.approx(0.3 * 320, abs=5 * np.sqrt(320 * 0.21))
    assert kinds["waggle"] == pytest.approx(0.69 * 320, abs=5 * np.sqrt(320 * 0.7))
    assert min(kinds[k] for k in ("double", "bounce", "foot")) > 0
    strikes = [c for c in contacts if c.kind == "strike"]
    gaps = np.diff([c.at_ns for c in strikes])
    assert np.median(gaps) == pytest.approx(pace_ns, rel=0.02)
    # Whatever the pace, the sole crosses the row in its own time: 26 to 32 mm at about 35 mm/ms.
    lengths_ms = np.array([np.diff(c.load.window_ms(Grid()))[0] for c in strikes])
    assert 0.6 < lengths_ms.min() < lengths_ms.max() < 1.2
    # What comes before a swing is over before it, and no two presses of the board are one.
    windows = sorted(c.window_ns(Grid()) for c in contacts)
    assert all(a[1] < b[0] for a, b in pairwise(windows))
    # Waggles are slow and strikes are not.
    waggles = [np.diff(c.load.window_ms(Grid()))[0] for c in contacts if c.kind == "waggle"]
    assert min(waggles) > 4 * lengths_ms.max()


def test_same_seed_same_session():
    def session(seed):
        events = schedule(np.random.default_rng(seed), Player(), default_set(), 3)
        return [(e.at_ns, getattr(e, "truth", None)) for e in events]

    assert session(1) == session(1)
    assert session(1) != session(2)
