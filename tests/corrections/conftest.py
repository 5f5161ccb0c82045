"""Weeks of a fitter on real data files: readings of a board, and commands as they are typed."""

import json
import os
import shutil

import numpy as np
import pytest
from cobs import cobs

from logger.collector.recording import BoardIdentity, TimedRecord
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import RawRecord
from logger.protocol.wire import parse
from logger.session.logging.fitting import FittingSession
from logger.setfiles import load_set
from logger.store.store import Store
from simulators import encode

SECOND = 10**9
# 2026-01-31T23:00:00Z
START_NS = 1_769_900_400 * SECOND
CELLS = 28
LABELS = ("5i", "6i", "7i", "8i", "9i")


def body_of(frame):
    return cobs.decode(frame[:-1])[:-4]


class Week:
    """A data file that a board fills; what is struck is drawn from a seed.

    ``scans``: the board sends the readings of its cells, and not only where it was struck.
    """

    def __init__(self, path, seed=1, scans=False):
        self.store = Store.open(path)
        self._rng = np.random.default_rng(seed)
        self._board = bytes([seed]) * 8
        self._scans = scans
        self._boots = 0
        self.session = None

    def begin(self, set_id, at_s, boot=True, **agreed):
        """Start a session, and the board."""
        agreed = {"stance_mm": 0.0, "stance_u_mm": 2.0, "ball": True, "hand": None} | agreed
        row = self.store.sessions.start(
            set_id, started_utc_ns=START_NS + at_s * SECOND, sole_middle_u_mm=4, surface="mat",
            **agreed,
        )  # fmt: skip
        self.session = FittingSession(self.store, row)
        self.at_ns = START_NS + at_s * SECOND
        if boot:
            self.boot()
        return row

    def boot(self):
        """Start the board once more."""
        self._boots += 1
        self._sequence = 0
        hello = encode.Hello(
            board_id=self._board, boot_id=self._boots, firmware=(1, 0, 0), tick_hz=1_000_000,
            rows=1, cells=CELLS, pitch_um=4000, row_distance_um=0, scan_order=0, scan_ticks=52,
            full_scale=1023, trigger_level=24, oldest_kept=0, next_sequence=0, abilities=31,
            name="bench",
        )  # fmt: skip
        said = parse(body_of(hello.encode()))
        identity = BoardIdentity(said.board_id, f"{self._boots:08x}", "bench", said)
        self._boot = self.session.begin_boot(identity, self.at_ns).boot_row

    def swing(self, club, count=1, place_mm=3.0):
        """Put a club up (None: whichever is) and strike with it."""
        if club is not None:
            self.session.choose_club(club, self.at_ns + SECOND)
        for _ in range(count):
            self.at_ns += 20 * SECOND
            bodies = self._reading(place_mm + 2 * self._rng.standard_normal())
            raw = RawRecord(record_from_raw(bodies), bodies, self.at_ns)
            record = TimedRecord(self._sequence, raw, self.at_ns, 100_000)
            self._sequence += 1
            self.session.store_records(self._boot, [record])
            self.session.file(self._boot, [record])

    def end(self):
        self.session.idle(self.at_ns + 60 * SECOND)
        self.session.end(self.at_ns + 60 * SECOND)

    def _reading(self, place_mm):
        if self._scans:
            return self._cells(place_mm)
        frame = encode.reading(
            sequence=self._sequence, ticks=self.at_ns // 1000 % 2**32,
            position=round(place_mm * 100), trail=encode.TRAIL_UNKNOWN, pressure=500, flags=0,
            span_ticks=700,
        )  # fmt: skip
        return (body_of(frame),)

    def _cells(self, place_mm):
        """Readings of a sole that is pressed in: p(u) = k (d - u^2 / 2R - u tan(lie)).

        Winkler foundation (Johnson, Contact Mechanics, 4.3); the lie puts the lowest point there.
        """
        u = 4.0 * (np.arange(CELLS) - (CELLS - 1) / 2) - 4 * self._rng.standard_normal()
        depth = 2.5 + 0.3 * self._rng.standard_normal()
        pressed = np.clip(depth - u**2 / 600 + u * place_mm / 300, 0, None) * (np.abs(u) < 39)
        times = np.array([0, 0, 0.1, 0.5, 0.9, 1, 0.7, 0.2, 0, 0])
        counts = 40 + 150 * times[:, None] * pressed + self._rng.standard_normal((10, CELLS))
        frames = encode.strike(
            sequence=self._sequence, flags=0, span_ticks=900,
            scan_ticks=((self.at_ns // 1000 + 200 * np.arange(10)) % 2**32).astype(np.uint32),
            counts=counts.round().clip(0, 1023).astype(np.uint16)[:, None, :],
        )  # fmt: skip
        return tuple(map(body_of, frames))


@pytest.fixture
def week(tmp_path):
    """Make a week in a data file of this name."""
    made = []

    def make(name, seed=1, scans=False):
        made.append(Week(tmp_path / name, seed, scans))
        return made[-1]

    yield make
    for one in made:
        one.store.close()


@pytest.fixture
def lieboard(warm_commands, tmp_path):
    """Run commands on a data file of this folder; those that are to succeed must."""

    def run(name, *arguments, fails=None):
        done = warm_commands.run(
            *arguments,
            environment={**os.environ, "LIEBOARD_DB": str(tmp_path / name), "NO_COLOR": "1"},
        )
        if fails is None:
            assert (done.returncode, done.stderr) == (0, ""), (arguments, done.stderr)
            return done.stdout
        assert done.returncode in (2, 4), (arguments, done.stdout)
        assert fails in done.stderr, done.stderr
        assert done.stderr.count("\n") == 1, done.stderr
        return done.stderr

    return run


@pytest.fixture
def report(lieboard):
    """Everything that the report of a session says, but for its number and when it was made."""

    def read(name, session):
        said = json.loads(lieboard(name, "report", "--session", str(session), "--json", "-"))
        for strike in said["strikes"]:
            # Row numbers of this data file; "number" is what a person sees.
            del strike["id"], strike["session"]
            if strike["source"] == "mark":
                # Typed in when the test ran.
                del strike["struck_utc"]
        del said["made"], said["session"]
        return said

    return read


@pytest.fixture
def set_file(tmp_path):
    """Write a set file."""

    def write(name="set.toml", player="Robin Ashdown", hand="right", material="forged", **own):
        rows = []
        for place, label in enumerate(LABELS):
            facts = {
                "length_mm": 965.2 - 12.7 * place, "lie_deg": 61.0 + 0.5 * place,
                "camber_mm": 300, "camber_u_mm": 15, "sole_length_mm": 78,
            } | own.get(f"club_{label}", {})  # fmt: skip
            rows.append(f'[[club]]\nlabel = "{label}"')
            rows += [f"{key} = {value}" for key, value in facts.items()]
            if material:
                rows.append(f'material = "{material}"')
        head = f'player = "{player}"\nhand = "{hand}"\nset = "irons"\npivot = "7i"\n'
        path = tmp_path / name
        path.write_text(head + "machine_increment_deg = 0.5\n" + "\n".join(rows) + "\n")
        return str(path)

    return write


@pytest.fixture
def copied(tmp_path):
    """Copy a data file that is closed."""

    def copy(name, to):
        return shutil.copy(tmp_path / name, tmp_path / to)

    return copy


@pytest.fixture(scope="module")
def module_week():
    """Make a week in a file at this path."""
    return Week


@pytest.fixture(scope="module")
def module_set():
    """A set of five irons of a player."""

    def make(folder, player, hand):
        rows = "".join(
            f'[[club]]\nlabel = "{label}"\nlie_deg = {61 + 0.5 * place}\nmaterial = "forged"\n'
            for place, label in enumerate(LABELS)
        )
        path = folder / f"{hand}.toml"
        path.write_text(
            f'player = "{player}"\nhand = "{hand}"\nset = "irons"\npivot = "7i"\n{rows}'
        )
        return load_set(path)

    return make
