from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.board.anova import one_way, p_of, pooled_sd, ratio_of, two_way


def column(table, name, group, value):
    data = table(name)
    return data[group], [float(v) for v in data[value]]


@pytest.mark.parametrize(
    ("name", "between", "within", "f", "sd"),
    [
        ("sirstv.csv", 5.11462616e-02, 2.1663656e-01, 1.18046237440255, 0.104076068334656),
        (
            "atmwtag.csv",
            3.638341875e-09,
            1.04951729166667e-08,
            15.9467335677930,
            1.51048314446410e-05,
        ),
    ],
)
def test_nist_certified_analysis_of_variance(table, name, between, within, f, sd):
    # NIST StRD, analysis of variance.
    found = one_way(*column(table, name, "group", "value"))
    # AtmWtAg has seven constant leading digits: of 16, nine are left.
    digits = 1e-11 if name == "sirstv.csv" else 1e-8
    assert found.ss_between == pytest.approx(between, rel=digits)
    assert found.ss_within == pytest.approx(within, rel=digits)
    assert found.f == pytest.approx(f, rel=digits)
    assert found.within_sd == pytest.approx(sd, rel=digits)
    assert found.between_sd**2 == pytest.approx(
        (between / (found.groups - 1) - sd**2) / found.repeats, rel=10 * digits
    )


@pytest.mark.parametrize("offset", [1.0, 1_000_000.0])
@pytest.mark.parametrize("repeats", [21, 201, 2001])
def test_nist_smls_offsets(offset, repeats):
    # NIST StRD, SmLs01-06: nine groups; the first value is the group's level, then level - 0.1 and
    # level + 0.1 in turn; one or seven constant leading digits. Certified: F = repeats, residual
    # SD 0.1, sums of squares 1.68 / 1.80 (times the repeats - 1, over 20).
    levels = [0.4, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5]
    group, value = [], []
    for number, level in enumerate(levels):
        for k in range(repeats):
            shift = 0.0 if k == 0 else (-0.1 if k % 2 else 0.1)
            group.append(number)
            # As if read from the file: the decimal number, rounded once.
            value.append(float(f"{offset + level + shift:.1f}"))
    found = one_way(group, value)
    digits = 1e-12 if offset == 1.0 else 1e-8
    assert found.f == pytest.approx(float(repeats), rel=digits)
    assert found.within_sd == pytest.approx(0.1, rel=digits)
    assert found.ss_between == pytest.approx(0.08 * repeats, rel=digits)
    assert found.ss_within == pytest.approx(0.09 * (repeats - 1), rel=digits)


def test_gum_h5_zener_voltage():
    # JCGM 100:2008, H.5, Table H.9: ten days, five readings each; the table gives each day's mean
    # and standard deviation, so five values with exactly these are made (from memory).
    means = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41])
    sds = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86])
    unit = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)
    value = 10.0 + 1e-6 * (means[:, None] + sds[:, None] * unit)
    found = one_way(np.repeat(np.arange(10), 5).tolist(), value.ravel())
    assert round(found.mean, 6) == 10.000097
    # Printed: the ten means have a standard deviation of 57 uV, so their mean 57 / sqrt(10).
    assert round(1e6 * found.u_mean * math.sqrt(10)) == 57
    assert round(1e6 * found.within_sd) == 85
    assert round(1e6 * math.sqrt(found.ms_between)) == 128
    # Printed 2.25 is 128^2 / 85^2 with both rounded.
    assert found.f == pytest.approx(2.25, abs=0.02)
    assert round(1e6 * found.between_sd) == 43
    # Between the printed quantiles 2.12 (0.95) and 2.45 (0.975) of F(9, 40).
    assert 0.025 < found.p < 0.05
    assert p_of(2.12, 9, 40) == pytest.approx(0.05, abs=5e-4)
    assert p_of(2.45, 9, 40) == pytest.approx(0.025, abs=3e-4)


def test_negative_between_variance_is_zero(table):
    # Box and Tiao 1973: moments give -1.3219, REML gives 0 and 13.806.
    found = one_way(*column(table, "dyestuff2.csv", "batch", "value"))
    assert found.between_sd == 0.0
    assert found.mean == pytest.approx(5.6656, abs=5e-5)
    assert found.f == pytest.approx(0.558, abs=5e-4)
    assert (found.ms_between - found.ms_within) / 5 == pytest.approx(-1.3219, abs=5e-5)
    # With no batches the residual variance is that of all 30 values: REML's 13.806.
    assert (found.ss_between + found.ss_within) / 29 == pytest.approx(13.806, abs=5e-4)


def test_nist_handbook_pooling():
    # NIST/SEMATECH e-Handbook, 2.4.4 and 2.4.4.3: probe 2362.
    ss = np.array([0.48115, 0.69209, 0.48483, 1.21752, 0.30076])
    level_1, dof = pooled_sd(np.sqrt(ss / 60), 60)
    assert (round(level_1, 5), dof) == (0.10290, 300)
    level_3, dof = pooled_sd([0.0223, 0.0027, 0.0289, 0.0133, 0.0205], 1)
    assert (round(level_3, 4), dof) == (0.0197, 5)


def test_two_way_sums_add_up_to_the_total():
    block = np.random.default_rng(3).normal(0, 1, (6, 3, 4)) + np.arange(6)[:, None, None]
    for p in (0.0, 1.0):
        table, pooled = two_way(block, pool_above_p=p)
        assert pooled == (p == 0.0)
        assert sum(row.ss for row in table) == pytest.approx(np.sum((block - block.mean()) ** 2))
        assert sum(row.dof for row in table) == block.size - 1


def test_f_without_scatter():
    assert ratio_of(1.0, 0.0) == math.inf
    assert p_of(math.inf, 3, 5) == 0.0
    assert ratio_of(0.0, 0.0) == 1.0
    flat = one_way(["a", "a", "b", "b"], [1.0, 1.0, 2.0, 2.0])
    assert (flat.f, flat.p, flat.within_sd) == (math.inf, 0.0, 0.0)


@pytest.mark.parametrize(
    ("group", "value", "reason"),
    [
        (["a", "a", "b"], [1, 2, 3], "b has 1 values where others have 2"),
        (["a", "b"], [1, 2], "2 groups with 2 values"),
        (["a", "a"], [1, 2], "2 groups with 2 values"),
        (["a", "a", "b", "b"], [1, 2, 3, math.nan], "a value is missing"),
    ],
)
def test_uneven_groups_give_no_number(group, value, reason):
    with pytest.raises(NoAnswerError, match=reason):
        one_way(group, value)


def test_malformed_groups_are_refused():
    with pytest.raises(ValueError, match="one value for each"):
        one_way(["a", "b"], [1.0])
    with pytest.raises(NoAnswerError):
        pooled_sd([], 1)
    with pytest.raises(ValueError, match="negative"):
        pooled_sd([-1.0], 1)
