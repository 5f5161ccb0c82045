"""Contacts to lie errors: cambers against textbook conditioning, sets against quadrature."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from analysis.lie import set_line
from analysis.lie.set_line import Camber, LinePlace, camber_belief, line_belief


def test_nothing_measured_is_the_whole_range():
    mean, cov = camber_belief([Camber()])
    assert math.exp(mean[0]) == pytest.approx(282.5)
    # A rectangle from 200 to 365 mm: half width over root 3 (JCGM 100:2008, 4.3.7).
    assert math.sqrt(cov[0, 0]) * 282.5 == pytest.approx(82.5 / math.sqrt(3))


def test_one_rocked_head_tells_the_others_by_plain_conditioning_of_normals():
    # x2 | x1 + noise: m2 + c12 / (c11 + s) (x1 - m1), c22 - c12^2 / (c11 + s): any textbook.
    heads = [Camber(240.0, 7.2), Camber(), Camber(family=1)]
    mean, cov = camber_belief(heads)
    prior, alone = camber_belief([Camber()])
    var, noise = alone[0, 0], 0.03**2
    for place, alike in ((1, set_line.CAMBER_ALIKE), (2, set_line.FAMILY_ALIKE)):
        gain = alike * var / (var + noise)
        assert mean[place] == pytest.approx(prior[0] + gain * (math.log(240) - prior[0]))
        assert cov[place, place] == pytest.approx(var - gain * alike * var)
    # Rocked to 3 % it narrows another head of its family by well over a quarter.
    assert math.sqrt(cov[1, 1] / var) < 0.75


def test_the_set_is_what_quadrature_says():
    # Two clubs of known radius and one node: the sum over own scales done by brute force.
    radius, u = 300.0, 0.15
    x = np.array([0.9, -0.4])
    contact = -radius * np.tan(np.radians(x))
    per = math.degrees(1 / radius) / (1 + (contact / radius) ** 2)
    cov = np.diag((u / per) ** 2)[None]
    got = line_belief(
        np.zeros(1), contact[None], cov,
        (np.full(2, math.log(radius)), np.zeros((2, 2))),
        [LinePlace(0.0, 0), LinePlace(-1.0, 0)], np.zeros(2), np.zeros(2), np.ones(2, bool),
    )  # fmt: skip
    design = np.array([[1.0, 0.0], [1.0, -1.0]])
    line = design @ np.diag([set_line.LEVEL_DEG**2, set_line.SLOPE_DEG**2]) @ design.T
    grid = np.linspace(-3, 3, 481)
    a, b = np.meshgrid(grid, grid, indexing="ij")
    weight = np.zeros_like(a)
    odds = set_line.OUTLIER_SHARE / (1 - set_line.OUTLIER_SHARE)
    for sd in set_line.OWN_DEG:
        for odd, share in (((0, 0), 1.0), ((1, 0), odds), ((0, 1), odds)):
            own = sd**2 + set_line.OUTLIER_DEG**2 * np.array(odd)
            prior = multivariate_normal(np.zeros(2), line + np.diag(own))
            part = prior.pdf(np.stack([a, b], axis=-1))
            weight += share * sd * math.exp(-0.5 * (sd / 0.3) ** 2) * part
    weight *= norm.pdf(a, x[0], u) * norm.pdf(b, x[1], u)
    weight /= weight.sum()
    mean = np.array([(weight * a).sum(), (weight * b).sum()])
    np.testing.assert_allclose(got.mean, mean, atol=0.004)
    sd = np.sqrt([(weight * (a - mean[0]) ** 2).sum(), (weight * (b - mean[1]) ** 2).sum()])
    np.testing.assert_allclose(np.sqrt(np.diag(got.covariance)), sd, rtol=0.02)


def test_an_odd_club_is_named_and_does_not_drag_the_others():
    x = np.array([0.1, 0.0, -0.1, 2.0, 0.05, 0.0])
    radius, n = 300.0, 6
    contact = -radius * np.tan(np.radians(x))[None]
    cov = np.eye(n)[None] * 0.5**2
    got = line_belief(
        np.zeros(1), contact, cov,
        (np.full(n, math.log(radius)), np.zeros((n, n))),
        [LinePlace(3.0 - i, 0) for i in range(n)], np.zeros(n), np.zeros(n), np.ones(n, bool),
    )  # fmt: skip
    assert got.p_outlier[3] > 0.9
    assert np.delete(got.p_outlier, 3).max() < 0.2
    np.testing.assert_allclose(got.mean, x, atol=0.12)
