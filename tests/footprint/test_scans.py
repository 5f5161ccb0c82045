"""Scans taken cell by cell while the load comes and goes."""

from __future__ import annotations

import numpy as np

from analysis.footprint.scans import peak_profile


def test_a_common_parabola_in_time_is_recovered_exactly():
    # Pressed cells that rise and fall together as a parabola in time: the value at the common
    # moment must be that of the parabola, whatever the skew.
    scans, cells, period = 7, 32, 100.0
    top = np.linspace(800.0, 1600.0, cells)
    moment = np.arange(scans)[:, None] * period + np.arange(cells) * period / cells
    counts = top - 400.0 * ((moment - 330.0) / 300.0) ** 2
    profile = peak_profile(
        counts[None], moment[None], np.zeros((1, scans, cells), bool), np.full(cells, 1e-6)
    )
    heaviest = np.argmax(counts.sum(axis=1))
    common = moment[heaviest].mean()
    want = top - 400.0 * ((common - 330.0) / 300.0) ** 2
    np.testing.assert_allclose(profile.counts[0] + profile.sag[0], want, atol=0.5)
