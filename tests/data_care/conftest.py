"""Data files with something in every table, and what is in them said without row numbers."""

import re
import shutil
import sqlite3
import struct
from contextlib import closing
from dataclasses import dataclass, replace

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
)
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.rows import NewStrike
from logger.store.store import Store

# Monday 2024-01-01T00:00:00Z in nanoseconds.
START = 1_704_067_200 * 10**9
SECOND = 10**9

HELLO = Hello(
    protocol_major=1, protocol_minor=0, board_id="00112233aabbccdd", boot_id=7,
    firmware=(1, 2, 3), tick_hz=1_000_000, rows=1, cells=16, pitch_um=4000, row_distance_um=0,
    scan_order=ScanOrder.ROWS_TOGETHER, scan_ticks=640, full_scale=4095, trigger_level=60,
    oldest_kept=0, next_sequence=0, abilities=Ability.FOOT_SWITCH, name="shed board",
)  # fmt: skip

BOOT = "boards.board_key || '/' || boots.boot_key"
SESSION = "players.name || '/' || sets.name || '/' || sessions.started_utc_ns"
OF_SESSION = (
    'LEFT JOIN sessions ON sessions.id = it.session LEFT JOIN sets ON sets.id = sessions."set"'
    " LEFT JOIN players ON players.id = sets.player"
)
OF_CLUB = (
    'LEFT JOIN clubs ON clubs.id = it.club LEFT JOIN sets AS cs ON cs.id = clubs."set"'
    " LEFT JOIN players AS cp ON cp.id = cs.player"
)
CLUB = "cp.name || '/' || cs.name || '/' || clubs.label"
OF_BOOT = "LEFT JOIN boots ON boots.id = it.boot LEFT JOIN boards ON boards.id = boots.board"
# Every table, its columns with names in place of ids. Written by hand, apart from the product's
# own rules.
CONTENT = {
    "players": "SELECT name, hand, note FROM players",
    "sets": "SELECT players.name, sets.name, machine_increment_deg, (SELECT label FROM clubs"
    " WHERE id = pivot_club) FROM sets JOIN players ON players.id = player",
    "clubs": "SELECT players.name, sets.name, label, position FROM clubs JOIN sets ON sets.id ="
    ' "set" JOIN players ON players.id = player',
    "club_specs": f"SELECT {CLUB}, from_utc_ns, ROW_NUMBER() OVER (PARTITION BY club, from_utc_ns"
    " ORDER BY it.id), source, length_mm, lie_deg, loft_deg, bounce_deg, camber_mm, camber_u_mm,"
    f" sole_length_mm, head_material, bias, bias_unit FROM club_specs AS it {OF_CLUB}",
    "boards": "SELECT board_key, form, name, first_seen_utc_ns, accepted, accepted_utc_ns"
    " FROM boards",
    "boots": f"SELECT {BOOT}, boots.first_seen_utc_ns, hello FROM boots JOIN boards"
    " ON boards.id = board",
    "sessions": f"SELECT {SESSION}, it.hand, it.stance_mm, it.stance_u_mm, it.sole_middle_mm,"
    " it.sole_middle_u_mm, it.ball, it.surface, it.machine_increment_deg, it.ended_utc_ns, it.note,"
    " it.gone"
    f" FROM (SELECT *, id AS session FROM sessions) AS it {OF_SESSION}",
    "turns": f"SELECT {SESSION}, from_utc_ns, ROW_NUMBER() OVER (PARTITION BY session, from_utc_ns"
    f" ORDER BY it.id), {CLUB}, cause FROM turns AS it {OF_SESSION} {OF_CLUB}",
    "records": f"SELECT {BOOT}, sequence, kind, raw, flags, arrival_ns, struck_utc_ns, struck_u_ns,"
    f" {SESSION} FROM records AS it {OF_BOOT} {OF_SESSION}",
    "clashes": f"SELECT {BOOT}, sequence, kind, raw, struck_utc_ns FROM clashes AS it {OF_BOOT}",
    "strikes": f"SELECT {SESSION}, {CLUB}, {BOOT}, first_sequence, last_sequence, within,"
    " struck_utc_ns, kind, toe_mm, board_mm, trail_mm, load, span_us, flags, method_version,"
    f" rule_reason, fitter_choice, fitter_reason FROM strikes AS it {OF_SESSION} {OF_CLUB}"
    f" {OF_BOOT}",
    "marks": f"SELECT {SESSION}, {CLUB}, struck_utc_ns, toe_mm, trail_mm, u_mm, fitter_choice,"
    f" fitter_reason, it.gone, (SELECT {BOOT} || first_sequence || '/' || within FROM strikes AS it"
    f"  {OF_BOOT} WHERE it.id = audits) FROM marks AS it {OF_SESSION} {OF_CLUB}",
    "bends": f"SELECT {CLUB}, {SESSION}, bent_utc_ns, planned_bend_deg, lie_before_deg,"
    " lie_after_deg, loft_before_deg, loft_after_deg, it.note, it.gone FROM bends AS it"
    f" {OF_CLUB} {OF_SESSION}",
    "notes": f"SELECT {SESSION}, written_utc_ns, text FROM notes AS it {OF_SESSION}",
    "losses": f"SELECT {BOOT}, {SESSION}, {CLUB}, from_sequence, to_sequence, count, reason,"
    f" noted_utc_ns FROM losses AS it {OF_BOOT} {OF_SESSION} {OF_CLUB}",
    "calibrations": "SELECT board_key, kind, from_utc_ns, ROW_NUMBER() OVER (PARTITION BY board,"
    " kind, from_utc_ns ORDER BY it.id), method_version, content FROM calibrations AS it"
    " JOIN boards ON boards.id = board",
    "agreed_boards": "SELECT key, name, agreed_utc_ns FROM agreed_boards",
    "presses": f"SELECT {BOOT}, sequence FROM presses AS it {OF_BOOT}",
    "overlays": "SELECT cp.name, cs.name, one.label, two.label, offset_mm, u_mm, read_utc_ns"
    " FROM overlays JOIN clubs AS one ON one.id = first_club JOIN clubs AS two"
    ' ON two.id = second_club JOIN sets AS cs ON cs.id = one."set"'
    " JOIN players AS cp ON cp.id = cs.player",
    "misses": f"SELECT {CLUB}, left_count, straight_count, right_count, noted_utc_ns"
    f" FROM misses AS it {OF_CLUB}",
    "acts": "SELECT act_key, said_utc_ns, place, kind, words, takes_back FROM acts",
    "act_parts": "SELECT act_key, part, about, field, value, was, at, to_at, within,"
    " (SELECT started_utc_ns FROM sessions WHERE sessions.id = session),"
    " (SELECT started_utc_ns FROM sessions WHERE sessions.id = to_session),"
    " (SELECT label FROM clubs WHERE clubs.id = club),"
    " (SELECT label FROM clubs WHERE clubs.id = to_club),"
    " (SELECT board_key FROM boards WHERE boards.id = board),"
    f" (SELECT {BOOT} FROM boots JOIN boards ON boards.id = boots.board WHERE boots.id = boot),"
    " (SELECT name FROM sets WHERE sets.id = to_set), (SELECT name FROM sets"
    " WHERE sets.id = was_set) FROM act_parts JOIN acts ON acts.id = act",
    "session_origins": f"SELECT {SESSION}, shop, bay, edition FROM session_origins AS it"
    f" {OF_SESSION}",
    "boot_origins": f"SELECT {BOOT}, shop, bay FROM boot_origins AS it {OF_BOOT}",
}
# Of this very file, and not of what is in it.
NOT_CONTENT = {
    "board_news",
    "forwarding",
    "forwarded_sessions",
    "gathering",
    "session_stamps",
}
_CAUSE = re.compile(r"foot switch (\d+):(\d+)")


@pytest.fixture(scope="session")
def content():
    """Tell what a data file holds: rows by table, sorted, with names in place of row numbers."""

    def tell(path):
        with closing(sqlite3.connect(path)) as connection:
            boots = dict(
                connection.execute(
                    f"SELECT boots.id, {BOOT} FROM boots JOIN boards ON boards.id = board"
                )
            )

            def named(value):
                if not isinstance(value, str):
                    return value
                return _CAUSE.sub(lambda m: f"foot switch {boots.get(int(m[1]))}:{m[2]}", value)

            return {
                table: sorted(
                    (tuple(named(value) for value in row) for row in connection.execute(sql)),
                    key=repr,
                )
                for table, sql in CONTENT.items()
            }

    return tell


@pytest.fixture(scope="session")
def table_lists():
    return set(CONTENT), NOT_CONTENT


@dataclass(frozen=True)
class Timed:
    sequence: int
    raw: RawRecord
    struck_utc_ns: int | None = None
    struck_u_ns: int | None = None


class Writer:
    """Does to a data file what sessions, set files and persons do, by the store's own functions."""

    def __init__(self, store):
        self.store = store

    def set(self, player="Ada Lindqvist", name="irons", labels="6i 7i 8i", at_s=0, lie=62.0):
        clubs = tuple(Club(x, ClubSpec(lie_deg=lie + n)) for n, x in enumerate(labels.split()))
        seen = SetFile(player, "right", name, clubs[-1].label, 0.5, clubs)
        return self.store.sets.import_file(seen, at_utc_ns=START + at_s * SECOND)

    def clubs(self, set_id):
        return {club.label: club.id for club in self.store.sets.get(set_id).clubs}

    def session(self, set_id, at_s=10, stance_mm=0.0):
        return self.store.sessions.start(
            set_id, started_utc_ns=START + at_s * SECOND, stance_mm=stance_mm, stance_u_mm=1,
            sole_middle_u_mm=5, ball=True,
        )  # fmt: skip

    def boot(self, key="00000007", board=HELLO.board_id, at_s=5, next_sequence=0):
        named = board if len(board) == 16 else board.encode().hex().rjust(16, "0")[-16:]
        hello = replace(HELLO, board_id=named, next_sequence=next_sequence)
        return self.store.boards.remember_boot(
            board_key=board, boot_key=key, name=hello.name, hello=hello,
            seen_utc_ns=START + at_s * SECOND,
        )  # fmt: skip

    def timed(self, sequence, at_s, word=b"", button=False):
        record = (
            Button(sequence, sequence, ButtonAction.NEXT_CLUB, Flag(0))
            if button
            else Reading(sequence, sequence, 1.5, None, 800, Flag(0), 0)
        )
        # firmware_notes/wire.md, 2.4; what stands behind the last field is of a later version.
        body = (
            struct.pack("<BIIB", 0x06, sequence, sequence, 1)
            if button
            else struct.pack("<BIIhhHBI", 0x02, sequence, sequence, 150, -32768, 800, 0, 0)
        )
        bodies = (body + word,)
        at = START + round(at_s * SECOND)
        return Timed(sequence, RawRecord(record, bodies, 1000 + sequence), at, 50_000)

    def strikes(self, session, boot, sequences, at_s=20, word=b""):
        """Records and the strikes that are worked out from them, one each."""
        self.store.records.add(
            boot, [self.timed(n, at_s + n, word) for n in sequences], session=session
        )
        for n in sequences:
            at = START + round((at_s + n) * SECOND)
            strike = NewStrike(n, n, at, "strike", 1.0 + n, 2.0, None, 800.0, 900.0, 0, "contact 1")
            self.store.strikes.file(session, boot, [strike], from_sequence=n, to_sequence=n)


@pytest.fixture(scope="session")
def writer():
    return Writer


@pytest.fixture(scope="session")
def start_ns():
    return START


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("empty") / "empty.db"
    Store.open(path).close()
    return path


@pytest.fixture
def new_file(empty_file, tmp_path):
    """Make an empty data file, by copying one: the schema's steps take longer than most tests."""
    return lambda name: shutil.copy(empty_file, tmp_path / name)
