import subprocess
import sys
from dataclasses import dataclass

import numpy as np
import pytest

from logger.protocol.records import (
    Ability,
    Button,
    ButtonAction,
    Flag,
    Hello,
    RawRecord,
    Reading,
    ScanOrder,
    Strike,
)
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.store import Store

# Monday 2024-01-01T00:00:00Z in nanoseconds.
START_UTC_NS = 1_704_067_200 * 10**9
SECOND = 10**9


@dataclass(frozen=True)
class Timed:
    sequence: int
    raw: RawRecord
    struck_utc_ns: int | None = None
    struck_u_ns: int | None = None


@pytest.fixture(scope="session")
def start_utc_ns():
    return START_UTC_NS


@pytest.fixture(scope="session")
def hello():
    return Hello(
        protocol_major=1, protocol_minor=0, board_id="00112233aabbccdd", boot_id=7,
        firmware=(1, 2, 3), tick_hz=1_000_000, rows=2, cells=32, pitch_um=4000,
        row_distance_um=12000, scan_order=ScanOrder.ROWS_TOGETHER, scan_ticks=640, full_scale=4095,
        trigger_level=60, oldest_kept=0, next_sequence=0,
        abilities=Ability.STRIKE_SCANS | Ability.FOOT_SWITCH, name="shed board",
    )  # fmt: skip


@pytest.fixture(scope="session")
def timed():
    """Make a record as the collector hands it over."""

    def make(sequence, *, kind="reading", raw=None, flags=0, at_s=None):
        flags = Flag(flags)
        if kind == "reading":
            record = Reading(sequence, sequence, 1.5, None, 800, flags, 0)
        elif kind == "button":
            record = Button(sequence, sequence, ButtonAction.NEXT_CLUB, flags)
        else:
            counts = np.zeros((1, 1, 4), np.uint16)
            record = Strike(sequence, flags, 900, np.array([sequence], np.uint32), counts)
        bodies = (b"\x02" + sequence.to_bytes(4, "little"),) if raw is None else raw
        at = START_UTC_NS + int((sequence if at_s is None else at_s) * SECOND)
        return Timed(sequence, RawRecord(record, bodies, 1000 + sequence), at, 50_000)

    return make


@pytest.fixture
def path(tmp_path):
    return tmp_path / "lies.db"


@pytest.fixture
def store(path):
    with Store.open(path) as opened:
        yield opened


@pytest.fixture
def boot(store, hello):
    return store.boards.remember_boot(
        board_key=hello.board_id, boot_key="00000007", name=hello.name, hello=hello,
        seen_utc_ns=START_UTC_NS,
    )  # fmt: skip


@pytest.fixture(scope="session")
def set_file():
    clubs = (
        Club("6i", ClubSpec(length_mm=952.5, lie_deg=61.5, camber_mm=300, camber_u_mm=15)),
        Club("7i", ClubSpec(length_mm=939.8, lie_deg=62.0, head_material="forged")),
        Club("PW", ClubSpec(length_mm=901.7, lie_deg=63.5, bias=2.0, bias_unit="mm")),
    )
    return SetFile("Robin Ashdown", "right", "Weekend irons", "7i", 0.5, clubs)


@pytest.fixture
def set_id(store, set_file):
    return store.sets.import_file(set_file, at_utc_ns=START_UTC_NS)


@pytest.fixture
def clubs(store, set_id):
    """Ids of the clubs by label."""
    return {club.label: club.id for club in store.sets.get(set_id).clubs}


@pytest.fixture
def session(store, set_id):
    return store.sessions.start(
        set_id, started_utc_ns=START_UTC_NS, stance_mm=4, stance_u_mm=1, sole_middle_u_mm=2,
        ball=True, surface="range mat",
    )  # fmt: skip


@pytest.fixture
def child():
    """Start Python code in a process of its own; stopped at the end of the test."""
    running = []

    def start(code, *arguments):
        process = subprocess.Popen(
            [sys.executable, "-c", code, *map(str, arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        running.append(process)
        return process

    yield start
    for process in running:
        process.kill()
        process.communicate()
