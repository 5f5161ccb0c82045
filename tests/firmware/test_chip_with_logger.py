"""The product's own logger at the emulated board's port: serial link, collector, store.

The chip keeps to real time here, as the logger does.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from logger.collector.recording import LineTrouble
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import Strike
from logger.store.store import Store
from simulators.emulator.waves import Sweep, wave


def script(chip, times_ms: Sequence[float]) -> list[Sweep]:
    sweeps = []
    for number, at_ms in enumerate(times_ms):
        sweeps.append(Sweep(middle_mm=-20.0 + 5.0 * number, speed_m_s=25.0 + 2.0 * number))
        counts = 4 * wave(sweeps[-1], rows=1, cells=16, pitch_mm=7.0)
        chip.play(at_ms * 1000, 5.0, counts)
    return sweeps


def on_disk(store: Store) -> list[Strike]:
    strikes = []
    for row in store.records.read():
        record = record_from_raw(row.raw)
        assert isinstance(record, Strike)
        strikes.append(record)
    return strikes


def middle_mm(strike: Strike) -> float:
    """Pressure-weighted mean place over all scans."""
    load = np.clip(strike.counts[:, 0].astype(float) - strike.counts[0, 0] - 2, 0, None).sum(axis=0)
    return float(load @ ((np.arange(16) - 7.5) * 7.0) / load.sum())


async def test_every_strike_is_on_disk_and_confirmed_through_a_reconnect(
    chip, session_at, tmp_path: Path
) -> None:
    emulated = chip("strip16")
    emulated.tell("noise 1.5", "seed 11", "tau_ns 700")
    # Before anyone listens; while the logger does; while nobody does; and again.
    times_ms = [400, 600, 1500, 1700, 1900, 3600, 3750, 5200, 5400]
    sweeps = script(emulated, times_ms)
    emulated.run(1_000_000)
    with Store.open(tmp_path / "data.db") as store:
        emulated.begin_real_time()
        async with session_at(emulated.port, store) as first:
            await first.until(lambda: len(on_disk(store)) == 5 and first.kept == 0)
        seen = await asyncio.to_thread(_let_pass, emulated, 4_000_000)
        assert seen.time_us >= 4_000_000
        emulated.begin_real_time()
        async with session_at(emulated.port, store) as second:
            await second.until(lambda: len(on_disk(store)) == 9 and second.kept == 0)
        emulated.end_real_time()
        strikes = on_disk(store)
        assert [strike.sequence for strike in strikes] == list(range(9))
        assert len(store.boards.all()) == 1
        for sweep, strike in zip(sweeps, strikes, strict=True):
            assert middle_mm(strike) == pytest.approx(sweep.middle_mm, abs=1.0)
        # What was on the line before the port was opened may be garbled; after that, nothing.
        for session in (first, second):
            greeted = session.events.index(session.greeted[0])
            later = session.events[greeted:]
            assert [event for event in later if isinstance(event, LineTrouble)] == []
        rows = list(store.records.read())
        spaced_s = np.diff([row.struck_utc_ns for row in rows[2:5]]) / 1e9
        assert spaced_s == pytest.approx([0.2, 0.2], abs=0.03)


def _let_pass(emulated, until_us: float):
    """Leave real time, and run on to a moment at full speed with nobody listening."""
    now = emulated.end_real_time()
    return emulated.run(max(0.0, until_us - now.time_us))


async def test_a_brown_out_in_the_middle_is_a_new_boot_for_the_logger(
    chip, session_at, tmp_path: Path
) -> None:
    emulated = chip("strip16")
    script(emulated, [600, 800])
    emulated.run(300_000)
    with Store.open(tmp_path / "data.db") as store:
        async with session_at(emulated.port, store) as session:
            emulated.begin_real_time()
            await session.until(lambda: len(on_disk(store)) == 2 and session.kept == 0)
            now_ms = emulated.end_real_time().time_us / 1000
            emulated.tell("brownout")
            script(emulated, [now_ms + 400, now_ms + 600])
            emulated.begin_real_time()
            await session.until(lambda: len(on_disk(store)) == 4)
            emulated.end_real_time()
        boots = [greeted.identity.boot_key for greeted in session.greeted]
        assert len(set(boots)) == 2
        assert [strike.sequence for strike in on_disk(store)] == [0, 1, 0, 1]
