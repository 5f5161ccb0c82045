"""Contacts made by hand, and a sole on a strip worked out from physics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from analysis.strikes.contacts import Contact, ContactFlag
from analysis.strikes.scans import SampleOrder, Strip


@pytest.fixture(scope="session")
def touch() -> Callable[..., Contact]:
    """One contact; an ordinary strike unless told otherwise."""

    def make(t_ms: float, **changes: Any) -> Contact:
        fields: dict[str, Any] = {
            "t_us": t_ms * 1e3,
            "span_us": 1_200.0,
            "board_mm": 3.0,
            "trail_mm": None,
            "load": 900.0,
            "width_mm": 30.0,
            "patches": 1,
            "flags": ContactFlag.NONE,
            "first_key": 0,
            "last_key": 0,
        }
        return Contact(**{**fields, **changes})

    return make


@dataclass(frozen=True)
class Press:
    """A rigid sole with a radius each way on an elastic foundation (Johnson, Contact Mechanics,
    1985, 4.3), swept over the rows at constant speed."""

    lie_error_deg: float = 0.0
    middle_mm: float = 0.0
    camber_mm: float = 300.0
    depth_mm: float = 2.0
    length_mm: float = 78.0
    roll_mm: float = 50.0
    bounce_error_deg: float = 0.0
    width_mm: float = 22.0
    speed_m_s: float = 35.0
    counts_per_mm: float = 400.0


@dataclass(frozen=True)
class Board:
    rows: int = 1
    cells: int = 32
    pitch_mm: float = 4.0
    row_distance_mm: float = 12.0
    period_us: float = 50.0
    order: SampleOrder = SampleOrder.AT_ONCE
    scan_us: float = 0.0
    full_scale: int = 4095
    noise: float = 2.0

    def strip(self) -> Strip:
        return Strip(
            pitch_mm=self.pitch_mm,
            full_scale=self.full_scale,
            row_distance_mm=self.row_distance_mm if self.rows > 1 else 0.0,
            scan_order=self.order,
            scan_us=self.scan_us,
        )


@pytest.fixture(scope="session")
def pressed() -> Callable[..., tuple[np.ndarray, np.ndarray]]:
    """Scan times and raw counts of one strike."""

    def make(
        press: Press, board: Board, seed: int = 1, phase: float = 0.3
    ) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        before = after = 8
        mm_per_us = press.speed_m_s / 1e3
        reach_us = (
            press.width_mm + board.row_distance_mm * (board.rows - 1)
        ) / mm_per_us + board.scan_us
        during = int(np.ceil(reach_us / board.period_us)) + 1
        scans = before + during + after
        times = 1e6 + np.arange(scans) * board.period_us
        # Sampling moments from firmware_notes/wire.md, section 2.4, scan_order.
        row, cell = np.meshgrid(np.arange(board.rows), np.arange(board.cells), indexing="ij")
        if board.order is SampleOrder.ROW_AFTER_ROW:
            share = (row * board.cells + cell) / (board.rows * board.cells - 1)
        elif board.order is SampleOrder.ROWS_TOGETHER:
            share = cell / (board.cells - 1)
        else:
            share = np.zeros(row.shape)
        moment = times[:, None, None] + share * board.scan_us
        # The leading edge reaches row 0 just after the scans from before.
        start = times[before] - board.period_us * phase
        w = (moment - start) * mm_per_us - press.width_mm / 2 - row * board.row_distance_mm
        middles = (np.arange(board.cells) - (board.cells - 1) / 2) * board.pitch_mm
        total = np.zeros(moment.shape)
        parts = (np.arange(8) + 0.5) / 8 - 0.5
        for part in parts:
            u = middles + part * board.pitch_mm - press.middle_mm
            sag = (
                u**2 / (2 * press.camber_mm)
                + u * np.tan(np.radians(press.lie_error_deg))
                + w**2 / (2 * press.roll_mm)
                + w * np.tan(np.radians(press.bounce_error_deg))
            )
            on = (np.abs(u) <= press.length_mm / 2) & (np.abs(w) <= press.width_mm / 2)
            total += np.where(on, np.maximum(press.depth_mm - sag, 0.0), 0.0) / parts.size
        rest = rng.uniform(20, 80, size=row.shape)
        counts = rest + press.counts_per_mm * total + rng.normal(0, board.noise, total.shape)
        return times, np.clip(np.round(counts), 0, board.full_scale)

    return make


@pytest.fixture(scope="session")
def press() -> type[Press]:
    return Press


@pytest.fixture(scope="session")
def board() -> type[Board]:
    return Board
