"""Scores of the sessions benchmark: standard errors, and a perfect and a mirrored answer."""

from __future__ import annotations

import math

import numpy as np
import pytest
from second_world import draw_session
from sessions import Answer, ClubAnswer, Played, bends, facts_of, outliers, rms, rows_of, share
from sessions import strata as score


def answered(session, sign=1.0, bend=0.0):
    clubs = tuple(
        ClubAnswer(
            label=club.label,
            lie_error_deg=sign * club.lie_error_deg,
            low_deg=sign * club.lie_error_deg - 0.5,
            high_deg=sign * club.lie_error_deg + 0.5,
            decision="bend" if bend else "leave",
            bend_deg=bend,
            more_swings=0,
            is_named_outlier=club.is_outlier,
        )
        for club in session.clubs
    )
    rows = rows_of(session, Answer(clubs, 0.1), {c.label: 0.0 for c in session.clubs})
    return Played(facts_of(session), rows, {}, 0.0, [])


class TestStandardErrors:
    def test_of_a_mean(self):
        # One value a cluster: s / sqrt(n) (any textbook; numpy's std).
        values = np.random.default_rng(1).normal(3.0, 2.0, 400)
        mean, se = share(values, np.ones(400))
        assert mean == pytest.approx(values.mean())
        assert se == pytest.approx(values.std(ddof=1) / 20)

    def test_clusters_count_once(self):
        # Each value eight times over is no more evidence: the same standard error.
        values = np.random.default_rng(2).normal(3.0, 2.0, 50)
        assert share(8 * values, np.full(50, 8)) == pytest.approx(share(values, np.ones(50)))

    def test_of_a_root_mean_square(self):
        # Of a normal sample the rms is known to sigma / sqrt(2 n).
        values = np.random.default_rng(3).normal(0.0, 0.7, 20_000)
        found, se = rms(values**2, np.ones(len(values)))
        assert found == pytest.approx(0.7, rel=0.02)
        assert se == pytest.approx(0.7 / math.sqrt(40_000), rel=0.05)


@pytest.fixture(scope="module")
def drawn():
    return [draw_session(seed, swings=3, stance_told=True) for seed in range(6)]


class TestScores:
    def test_a_perfect_answer(self, drawn):
        found = score([answered(one) for one in drawn], second=True)
        for name in ("all", "stance_told"):
            assert found[name]["rms_deg"]["is"] == 0.0
            assert found[name]["held_90"]["is"] == 1.0
            assert found[name]["half_width_deg"]["is"] == 0.5
            assert found[name]["gap_rms_deg"]["is"] == 0.0
        assert "stance_not_told" not in found

    def test_a_mirrored_answer(self, drawn):
        truth = np.concatenate([one.truth_deg for one in drawn])
        level = [2 * one.truth_deg.mean() for one in drawn]
        found = score([answered(one, sign=-1.0) for one in drawn], second=True)["all"]
        assert found["rms_deg"]["is"] == pytest.approx(2 * np.sqrt(np.mean(truth**2)), abs=1e-3)
        assert found["level_rms_deg"]["is"] == pytest.approx(
            np.sqrt(np.mean(np.square(level))), abs=1e-3
        )

    def test_bends_and_outliers(self, drawn):
        played = [answered(one, bend=0.5) for one in drawn]
        truth = np.concatenate([one.truth_deg for one in drawn])
        # Half a degree more upright makes worse what is not more than a quarter too flat.
        worse = np.mean(truth > -0.25)
        assert bends(played)["worse"]["is"] == pytest.approx(worse, abs=1e-3)
        odd = [draw_session(seed, swings=3, outlier=True) for seed in range(3)]
        counted = outliers([answered(one) for one in odd])
        assert (counted["of"], counted["found"]["is"], counted["false_alarms"]["is"]) == (3, 1, 0)
