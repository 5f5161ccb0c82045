"""Stacks of small systems against LAPACK, one by one."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.footprint.linear import Elimination, sweep


@pytest.fixture
def stack():
    rng = np.random.default_rng(1)
    root = rng.normal(size=(40, 10, 14)) * np.exp(rng.normal(size=(40, 10, 1)))
    matrices = root @ root.transpose(0, 2, 1)
    return matrices, rng.normal(size=(40, 10))


def test_elimination_solves_and_knows_the_determinant(stack):
    matrices, right = stack
    got = Elimination(matrices.transpose(1, 2, 0), right.T)
    want = np.linalg.solve(matrices, right[:, :, None])[:, :, 0]
    np.testing.assert_allclose(got.solve().T, want, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(got.quadratic, (want * right).sum(axis=1), rtol=1e-7)
    np.testing.assert_allclose(got.log_det, np.linalg.slogdet(matrices)[1], rtol=1e-9)
    np.testing.assert_allclose(got.last_variance, np.linalg.inv(matrices)[:, 9, 9], rtol=1e-7)


def test_damping_multiplies_the_diagonal(stack):
    matrices, right = stack
    damping = np.linspace(0.0, 2.0, 40)
    got = Elimination(matrices.transpose(1, 2, 0), right.T, damping).solve()
    damped = matrices * (1 + damping[:, None, None] * np.eye(10))
    want = np.linalg.solve(damped, right[:, :, None])[:, :, 0]
    np.testing.assert_allclose(got.T, want, rtol=1e-7, atol=1e-9)


def test_single_precision_is_kept(stack):
    matrices, right = stack
    work = matrices.transpose(1, 2, 0).astype(np.float32)
    got = Elimination(work, right.T.astype(np.float32))
    assert got.solve().dtype == got.log_det.dtype == np.float32
    np.testing.assert_allclose(got.log_det, np.linalg.slogdet(matrices)[1], rtol=1e-4, atol=1e-3)


def test_sweeping_gives_schur_complement_then_inverse(stack):
    matrices, _ = stack
    work = np.ascontiguousarray(matrices.transpose(1, 2, 0))
    sweep(work, range(8))
    schur = np.linalg.inv(np.linalg.inv(matrices)[:, 8:, 8:])
    np.testing.assert_allclose(work[8:, 8:].transpose(2, 0, 1), schur, rtol=1e-7, atol=1e-9)
    sweep(work, range(8, 10))
    want = np.linalg.inv(matrices)
    np.testing.assert_allclose(-work.transpose(2, 0, 1), want, rtol=1e-6, atol=1e-9)
