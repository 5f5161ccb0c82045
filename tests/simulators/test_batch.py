"""Strikes by the thousand: shapes, seeds, and truth that belongs to the counts."""

from __future__ import annotations

import numpy as np
import pytest

from simulators.batch import Rig, club_strikes, many_strikes
from simulators.clubs import default_set
from simulators.player import Player
from simulators.sole import Grid, Pass, Sole
from simulators.strip import CellFaults, Scanning

IDEAL = CellFaults.none(noise_counts=0.5)


def test_the_same_seed_gives_the_same_strikes_and_another_gives_others():
    first, again, other = (many_strikes(np.random.default_rng(s), 30) for s in (1, 1, 2))
    assert np.array_equal(first.counts, again.counts)
    assert np.array_equal(first.ticks, again.ticks)
    assert not np.array_equal(first.truth.c_mm, other.truth.c_mm)


def test_shapes_pre_trigger_scans_and_ticks():
    rig = Rig(grid=Grid(rows=2, cells=24), faults=IDEAL, board_each=True)
    batch = many_strikes(np.random.default_rng(3), 700, rig=rig)
    n, scans, rows, cells = batch.counts.shape
    assert (n, rows, cells) == (700, 2, 24)
    assert batch.ticks.shape == (n, scans)
    assert batch.counts.dtype == np.uint16
    assert batch.counts[:, : batch.pre_scans].max() <= 60 + 4
    assert batch.counts[:, batch.pre_scans :].max(axis=(1, 2, 3)).min() > 200
    step = np.diff(batch.ticks.astype(np.int64), axis=1) % 2**32
    assert set(np.unique(step)) == {rig.scanning.period_ns(rig.grid) // 1000}


def test_truth_belongs_to_the_counts():
    # Johnson 4.3: the centroid of a patch that no end cuts off is at its lowest point. Cells
    # sampled at one moment, or the club's travel within a scan would lean the print.
    grid = Grid(cells=60, pitch_mm=3.0)
    rng = np.random.default_rng(4)
    swings = Pass(c_mm=rng.normal(0, 6, 200), lie_error_deg=rng.uniform(-1.5, 1.5, 200),
                  depth_mm=np.full(200, 1.2), hand=-1)  # fmt: skip
    rig = Rig(grid=grid, faults=IDEAL, scanning=Scanning(scan_order=2))
    batch = many_strikes(
        rng, 200, sole=Sole(camber_mm=280.0, length_mm=120.0), swings=swings, rig=rig
    )
    load = np.maximum(batch.counts[:, :, 0].astype(float) - 60, 0)
    load[load < 3] = 0
    total = load.sum(axis=1)
    centroid = (total * grid.middles_mm).sum(axis=1) / total.sum(axis=1)
    assert np.abs(centroid - batch.truth.board_mm).max() < 0.15
    assert batch.truth.board_mm == pytest.approx(batch.truth.c_mm - batch.truth.toe_mm)
    # The heaviest scan is the one in which the sole's middle was over the row, within a scan.
    heaviest = load.sum(axis=2).argmax(axis=1)
    elapsed = (batch.ticks[np.arange(200), heaviest].astype(np.int64) - batch.ticks[:, 0]) % 2**32
    assert np.abs(elapsed - batch.truth.over_row_ticks).max() <= 45 + 10


def test_faults_change_the_counts_but_not_the_truth():
    swings = Pass(c_mm=1.0, lie_error_deg=0.5)
    plain = many_strikes(np.random.default_rng(0), 5, swings=swings, rig=Rig(faults=IDEAL))
    rig = Rig(faults=CellFaults(gain_spread=0.2, semi_elliptic=True))
    worn = many_strikes(np.random.default_rng(0), 5, swings=swings, rig=rig)
    assert np.array_equal(plain.truth.board_mm, worn.truth.board_mm)
    peak = [b.counts.max(axis=(1, 2, 3)).astype(float) for b in (plain, worn)]
    assert np.abs(peak[0] - peak[1]).max() > 50


def test_a_players_strikes_with_one_club():
    club = default_set()[2]
    batch, mishit = club_strikes(np.random.default_rng(1), Player(), club, 400)
    truth = batch.truth
    assert batch.counts.shape[0] == len(mishit) == 400
    assert (truth.camber_mm == club.sole.camber_mm).all()
    # Five standard errors about the club's own error and what fatigue adds over 400 swings.
    bound = 5 * truth.lie_error_deg.std() / 20
    assert truth.lie_error_deg.mean() == pytest.approx(club.lie_error_deg + 0.5, abs=bound)
    assert truth.lie_error_deg[mishit].std() > 2 * truth.lie_error_deg[~mishit].std()
