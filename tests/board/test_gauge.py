from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2, f

from analysis.answers import NoAnswerError, Verdict
from analysis.board.anova import full_block, two_way
from analysis.board.gauge import crossed_study


def aiag(table, **options):
    data = table("aiag_10x3x3.csv")
    return crossed_study(data["part"], data["person"], [float(v) for v in data["value"]], **options)


def study(block, **options):
    """Study of a full block (parts, people, repeats)."""
    block = np.asarray(block)
    where = list(np.ndindex(block.shape))
    return crossed_study(
        [w[0] for w in where], [f"p{w[1]}" for w in where], block.ravel(), **options
    )


def made(part_sd, person_sd, cross_sd, repeat_sd, shape=(10, 3, 3), seed=0):
    rng = np.random.default_rng(seed)
    p, o, r = shape
    return (
        rng.normal(0, part_sd, (p, 1, 1))
        + rng.normal(0, person_sd, (1, o, 1))
        + rng.normal(0, cross_sd, (p, o, 1))
        + rng.normal(0, repeat_sd, (p, o, r))
    )


def test_aiag_anova(table):
    # AIAG, MSA Reference Manual, 4th ed. (2010), chapter III, ANOVA method.
    found = aiag(table)
    assert found.pooled
    assert found.repeatability.sd == pytest.approx(0.199933, abs=5e-7)
    assert found.reproducibility.sd == pytest.approx(0.226838, abs=5e-7)
    # Printed from the two rounded figures above.
    assert found.gauge.sd == pytest.approx(0.302373, abs=2e-6)
    assert found.part.sd == pytest.approx(1.042327, abs=5e-7)
    assert found.total.sd == pytest.approx(1.0853, abs=5e-5)
    assert round(found.gauge.percent_study, 2) == 27.86
    assert found.categories == 4
    assert found.interaction.sd == 0.0
    rows = {row.source: row for row in found.table}
    assert rows["part"].ss == pytest.approx(88.3619, abs=5e-5)
    assert rows["person"].ss == pytest.approx(3.1673, abs=5e-5)
    # Pooled: interaction 0.3590 and equipment 2.7589.
    assert rows["repeat"].ss == pytest.approx(0.3590 + 2.7589, abs=1e-4)
    assert rows["repeat"].dof == 18 + 60
    assert "interaction" not in rows


def test_aiag_interaction_before_pooling(table):
    # Same source: F of the interaction 0.434 with 18 and 60 degrees of freedom.
    data = table("aiag_10x3x3.csv")
    block = full_block([data["part"], data["person"]], [float(v) for v in data["value"]])
    rows = {row.source: row for row in two_way(block, pool_above_p=1.0)[0]}
    assert rows["interaction"].f == pytest.approx(0.434, abs=5e-4)
    assert rows["interaction"].ss == pytest.approx(0.3590, abs=5e-5)
    assert rows["repeat"].ss == pytest.approx(2.7589, abs=5e-5)
    assert sum(row.ss for row in rows.values()) == pytest.approx(94.6471, abs=5e-5)


def test_order_of_rows_does_not_matter(table):
    data = table("aiag_10x3x3.csv")
    order = np.random.default_rng(0).permutation(90)
    shuffled = crossed_study(
        [data["part"][k] for k in order],
        [data["person"][k] for k in order],
        [float(data["value"][k]) for k in order],
    )
    assert shuffled.gauge.sd == pytest.approx(aiag(table).gauge.sd, rel=1e-12)


def test_interaction_is_kept_when_it_is_there():
    found = study(made(1.0, 0.1, 0.4, 0.1))
    assert not found.pooled
    assert found.interaction.sd == pytest.approx(0.4, rel=0.4)
    assert found.reproducibility.sd == pytest.approx(
        math.hypot(found.person.sd, found.interaction.sd)
    )
    assert found.gauge.sd == pytest.approx(
        math.hypot(found.repeatability.sd, found.reproducibility.sd)
    )
    assert found.total.sd == pytest.approx(math.hypot(found.gauge.sd, found.part.sd))


def test_components_are_unbiased_on_average():
    # Expectations of mean squares (Searle, Linear Models, 1971, ch. 9); far from 0 so that the
    # truncation does not show.
    squares = np.mean(
        [
            [
                getattr(study(made(1.0, 0.5, 0.4, 0.2, (8, 5, 3), seed)), name).sd ** 2
                for name in ("part", "interaction", "repeatability")
            ]
            for seed in range(60)
        ],
        axis=0,
    )
    assert squares == pytest.approx([1.0, 0.16, 0.04], rel=0.2)


def test_repeatability_interval_is_the_exact_one(table):
    # SS / chi-square quantiles, scipy.stats as oracle.
    found = aiag(table, level=0.90)
    ss, dof = 0.3590 + 2.7589, 78
    exact = [math.sqrt(ss / chi2.ppf(q, dof)) for q in (0.95, 0.05)]
    assert found.repeatability.interval == pytest.approx(exact, rel=0.005)


def test_interval_of_part_is_close_to_the_exact_ratio_interval():
    # One person: interval of part variance over repeat variance from F (Searle 1971, 9.9c), at a
    # study where the repeat variance is known almost exactly (600 degrees of freedom).
    block = made(1.0, 0.0, 0.0, 0.5, (6, 1, 101), seed=5)
    found = study(block)
    rows = {row.source: row for row in found.table}
    ratio = rows["part"].ms / rows["repeat"].ms
    exact = [
        0.5 * math.sqrt((ratio / f.ppf(q, 5, 600) - 1) / 101) * found.repeatability.sd / 0.5
        for q in (0.95, 0.05)
    ]
    assert found.part.interval == pytest.approx(exact, rel=0.02)


def test_gauge_interval_covers():
    inside = 0
    for seed in range(150):
        low, high = study(made(1.0, 0.3, 0.0, 0.2, (6, 3, 3), seed)).gauge.interval
        inside += low <= math.hypot(0.3, 0.2) <= high
    # 90 % of 150 is 135 with a standard deviation of 3.7.
    assert 122 <= inside <= 149


def test_same_data_same_interval(table):
    assert aiag(table) == aiag(table)


def test_negative_variances_are_zero(table):
    # Box and Tiao 1973: six batches that differ by less than their repeats.
    data = table("dyestuff2.csv")
    found = crossed_study(data["batch"], ["one"] * 30, [float(v) for v in data["value"]])
    assert found.part.sd == 0.0
    assert found.part.interval[0] == 0.0
    assert found.part.interval[1] > 0.0
    assert found.categories == 1
    same = study(made(1.0, 0.0, 0.0, 0.3, seed=3))
    assert same.person.sd >= 0.0
    assert not math.isnan(same.gauge.sd)


def test_percent_of_the_tolerance_is_six_sd_over_its_width():
    found = study(made(1.0, 0.02, 0.0, 0.03), tolerance_deg=0.5)
    assert found.gauge.percent_tolerance == pytest.approx(100 * 6 * found.gauge.sd / 1.0)
    wider = study(made(1.0, 0.02, 0.0, 0.03), tolerance_deg=1.0)
    assert wider.gauge.percent_tolerance == pytest.approx(found.gauge.percent_tolerance / 2)


def test_verdicts_and_their_reasons():
    good = study(made(1.0, 0.002, 0.0, 0.01))
    assert (good.verdict, good.readings_needed) == (Verdict.PASS, 1)
    assert good.reason.startswith("Easily good enough to bend by")

    unsure = study(made(1.0, 0.03, 0.0, 0.02, (3, 2, 2), seed=1))
    assert unsure.verdict is Verdict.LOOK
    assert "too small to be sure" in unsure.reason

    loose = study(made(1.0, 0.0, 0.0, 0.15))
    assert loose.verdict is Verdict.FAIL
    assert "does not repeat itself" in loose.reason
    assert f"mean of {loose.readings_needed} such readings" in loose.reason

    people = study(made(1.0, 0.5, 0.0, 0.02))
    assert people.verdict is Verdict.FAIL
    assert "people differ" in people.reason
    assert people.readings_needed is None


def test_readings_needed_bring_it_under_the_limit():
    found = study(made(1.0, 0.0, 0.0, 0.15))
    n, repeat, people = found.readings_needed, found.repeatability.sd, found.reproducibility.sd
    percent = [600 * math.sqrt(repeat**2 / k + people**2) for k in (n - 1, n)]
    assert percent[0] > 30.0 >= percent[1]


def test_one_person_says_what_is_not_known():
    found = study(made(1.0, 0.0, 0.0, 0.01, (6, 1, 4)))
    assert found.people == 1
    assert found.reproducibility.sd == 0.0
    assert "One person measured" in found.reason


def test_lies_that_are_all_alike_are_told():
    found = study(made(0.01, 0.0, 0.0, 0.01))
    assert found.categories < 5
    assert "study lies that cover" in found.reason


def test_a_gauge_without_any_scatter():
    block = np.repeat(np.arange(4.0), 6).reshape(4, 2, 3)
    found = study(block)
    assert (found.gauge.sd, found.categories, found.verdict) == (0.0, None, Verdict.PASS)


@pytest.mark.parametrize("dropped", [0, 17, 89])
def test_a_missing_value_is_named(table, dropped):
    data = table("aiag_10x3x3.csv")
    keep = [k for k in range(90) if k != dropped]
    name = f"{data['part'][dropped]} / {data['person'][dropped]} has 2 values"
    with pytest.raises(NoAnswerError, match=name):
        crossed_study(
            [data["part"][k] for k in keep],
            [data["person"][k] for k in keep],
            [float(data["value"][k]) for k in keep],
        )


def test_too_small_a_study_gives_no_number():
    with pytest.raises(NoAnswerError, match="2 of both are the least"):
        study(np.zeros((1, 3, 3)))
    with pytest.raises(NoAnswerError, match="2 of both are the least"):
        study(np.zeros((5, 3, 1)))
    with pytest.raises(NoAnswerError, match="missing"):
        study(np.full((2, 2, 2), np.nan))
    with pytest.raises(ValueError, match="tolerance"):
        study(np.zeros((2, 2, 2)), tolerance_deg=0.0)
    with pytest.raises(ValueError, match="coverage"):
        study(np.zeros((2, 2, 2)), level=1.0)
