"""A hard cover prints no sole end: what an earlier audit by marks says of the level then."""

import dataclasses
import struct

import numpy as np
import pytest

from logger.cli import main
from logger.collector.recording import BoardIdentity, TimedRecord
from logger.protocol.decoding import Decoder
from logger.protocol.records import Hello, RawRecord, Strike
from logger.session.evidence.audits import carried_audit
from logger.session.evidence.evidence import session_picture
from logger.session.logging.fitting import FittingSession
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.store import Store
from simulators import encode
from simulators.board import Board
from simulators.board_options import BoardOptions
from simulators.clubs import default_set
from simulators.player import Player, schedule

# Noon UTC: the same day almost everywhere.
START_NS = 1_779_969_600 * 10**9
DAY_NS = 86_400 * 10**9
STEP_NS = 50_000_000
# What the player does on the board, the other way round for a left-hander: 8 mm toward the toe.
DELIVERY_MM = 8.0
# Under a hard cover a sole presses in by half a millimetre: patches are narrow.
HARD = dataclasses.replace(
    Player.only_strikes(),
    delivery_mm=DELIVERY_MM, depth_mm=0.5, mishit_chance=0.0, fatigue_deg=0.0,
)  # fmt: skip
CLUBS = [c for c in default_set(worn=False) if c.label in ("5i", "7i", "9i")]


def swing(store, set_id, start_ns, seed, swings=8, hand="right"):
    """A session on virtual time; the session and the truth of each strike."""
    row = store.sessions.start(
        set_id, started_utc_ns=start_ns, stance_u_mm=0.5, sole_middle_u_mm=6.0, ball=True, hand=hand
    )
    session = FittingSession(store, row)
    session.step_club(0, start_ns, cause="start")
    truth = []
    rng = np.random.default_rng(seed)
    options = BoardOptions(noise_triggers=False, boot_id=seed)
    board = Board(rng, options, truth.append)
    player = dataclasses.replace(HARD, hand=1 if hand == "right" else -1)
    order = sorted(CLUBS, key=lambda club: club.label != "7i")
    board.play(schedule(rng, player, order, swings, pace_ns=2_000_000_000), 1_000_000_000)
    decoder, boot = Decoder(), None
    board.receive(encode.frame(encode.ASK_HELLO, bytes([1, 0])))
    while board.busy or boot is None:
        due = board.next_event_ns()
        wait_ns = STEP_NS if due is None else max(due - board.now_ns, 1)
        records = []
        for item in decoder.feed(board.advance(min(wait_ns, 10 * STEP_NS)), board.now_ns):
            if isinstance(item, Hello):
                if boot is None:
                    identity = BoardIdentity(item.board_id, f"{item.boot_id:08x}", "bench", item)
                    boot = session.begin_boot(identity, start_ns).boot_row
            elif isinstance(item, RawRecord):
                records.append(item)
        timed = []
        for raw in records:
            record = raw.record
            ticks = int(record.scan_ticks[-1]) if isinstance(record, Strike) else record.ticks
            at_ns = start_ns + ticks * 1000
            timed.append(TimedRecord(record.sequence, raw, at_ns, 1_000_000))
        if timed:
            session.store_records(boot, timed)
            session.file(boot, timed)
            confirm = struct.pack("<II", store.boards.hello_of(boot).boot_id, timed[-1].sequence)
            board.receive(encode.frame(encode.CONFIRM, confirm))
    store.sessions.end(row, ended_utc_ns=start_ns + 600 * 10**9)
    return store.sessions.get(row), [t for t in truth if t["kind"] == "strike"]


def import_set(store, player="Ada Lindqvist", hand="right"):
    clubs = tuple(
        Club(c.label, ClubSpec(
            length_mm=c.length_mm, lie_deg=c.lie_deg, camber_mm=c.sole.camber_mm, camber_u_mm=2.0,
            sole_length_mm=c.sole.length_mm, head_material="forged"))
        for c in CLUBS
    )  # fmt: skip
    return store.sets.import_file(
        SetFile(player, hand, "hard irons", "7i", 0.5, clubs), at_utc_ns=START_NS
    )


def audit(store, session, truth):
    """Read marks off the sole for every other swing, half a millimetre well."""
    rng = np.random.default_rng(5)
    by_sequence = {t["sequence"]: t for t in truth}
    for contact in store.strikes.contacts(session.id, source="board")[::2]:
        true = by_sequence[contact.first_sequence]
        store.strikes.add_mark(
            session.id, contact.club, struck_utc_ns=contact.struck_utc_ns, u_mm=0.5,
            toe_mm=float(true["toe_mm"] + rng.normal(0, 0.5)), audits=contact.id,
        )  # fmt: skip


@pytest.fixture(scope="module")
def audited(tmp_path_factory):
    """Two sessions a week apart; the first one is audited by marks, and that is not kept yet."""
    path = tmp_path_factory.mktemp("audit") / "hard.db"
    with Store.open(path) as store:
        set_id = import_set(store)
        first, truth = swing(store, set_id, START_NS, seed=1)
        audit(store, first, truth)
        second, later = swing(store, set_id, START_NS + 7 * DAY_NS, seed=2)
    return path, first, second, later


@pytest.fixture
def hard(audited, tmp_path):
    """A copy of its own."""
    path, first, second, later = audited
    copy = tmp_path / "hard.db"
    copy.write_bytes(path.read_bytes())
    return copy, first, second, later


def picture_of(db, session):
    with Store.open(db, read_only=True) as store:
        return session_picture(store, session)


def true_means(truth):
    return {
        label: (
            float(np.mean([t["lie_error_deg"] for t in truth if t["club"] == label])),
            float(np.mean([t["toe_mm"] for t in truth if t["club"] == label])),
        )
        for label in ("5i", "7i", "9i")
    }


def test_without_an_audit_no_level_is_claimed(hard):
    db, _, second, _ = hard
    picture = picture_of(db, second)
    assert {one.lie.level_words for one in picture.clubs} == {"address only"}
    assert not picture.level_claimed


def test_a_kept_audit_gives_a_later_session_its_level(hard, capsys):
    db, first, second, later = hard
    before = picture_of(db, second)
    assert main(["board", "audit", "--keep", "--session", str(first.id), "--db", str(db)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Kept for bench and Ada Lindqvist." in out
    assert "settles the level" in out
    picture = picture_of(db, second)
    assert {one.lie.level_words for one in picture.clubs} == {"marks (audit of 2026-05-28)"}
    true = list(true_means(later).values())
    lies = np.array([lie for lie, _ in true])
    for place, (one, (lie, toe)) in enumerate(zip(picture.clubs, true, strict=True)):
        was = before.clubs[place]
        # Without it every club reads 8 mm, over a degree and a half, too flat, less what is usual.
        assert abs(was.lie.lie_error_deg - lie) > 0.8
        assert one.lie.u_deg < 0.7 * was.lie.u_deg
        assert abs(one.contact.mean_mm - toe) < abs(was.contact.mean_mm - toe)
        # Each club within 99 % of its own doubt, the level of all within its 95 %.
        assert abs(one.lie.lie_error_deg - lie) < 2.576 * one.lie.u_deg
    together = picture.together
    assert np.all(np.abs(together.mean_deg - lies) < 2.576 * together.lie.sd)
    assert np.all(together.lie.sd < 0.7 * before.together.lie.sd)
    u_level = np.sqrt(together.covariance_deg2.mean())
    assert abs((together.mean_deg - lies).mean()) < 1.96 * u_level
    alone = np.array([one.lie.lie_error_deg for one in picture.clubs])
    assert abs((alone - lies).mean()) < 1.96 * picture.clubs[0].lie.u_shared_deg
    assert main(["clubs", "--session", str(second.id), "--db", str(db)]) == 0
    assert "resolved by: marks (audit of 2026-05-28)" in capsys.readouterr().out


def test_marks_of_the_session_itself_go_first(hard, capsys):
    db, first, _, _ = hard
    alone = picture_of(db, first)
    assert main(["board", "audit", "--keep", "--session", str(first.id), "--db", str(db)]) == 0
    assert {one.lie.level_words for one in alone.clubs} == {"marks"}
    again = picture_of(db, first)
    assert [one.lie for one in again.clubs] == [one.lie for one in alone.clubs]


def test_an_audit_says_nothing_of_sessions_before_it_nor_of_a_strip_that_was_moved(hard, capsys):
    db, first, second, _ = hard
    common = ["--db", str(db)]
    assert main(["board", "audit", "--keep", "--session", str(first.id), *common]) == 0
    with Store.open(db, read_only=True) as store:
        earlier = dataclasses.replace(second, started_utc_ns=START_NS - 1)
        assert carried_audit(store, earlier) is None
        kept = carried_audit(store, second).level
    assert main(["board", "audit", "--moved", "--session", str(first.id), *common]) == 0
    with Store.open(db, read_only=True) as store:
        moved = carried_audit(store, second).level
    # The player's habit is left, the mounting is not.
    assert kept.u_mm < moved.u_mm < 6.0
    assert 0 < moved.offset_mm < kept.offset_mm


def test_another_player_gets_no_level_from_it(hard, capsys):
    db, first, _, _ = hard
    assert main(["board", "audit", "--keep", "--session", str(first.id), "--db", str(db)]) == 0
    with Store.open(db) as store:
        set_id = import_set(store, "Ben Okafor", "left")
        own, _ = swing(store, set_id, START_NS + 8 * DAY_NS, seed=3, swings=3, hand="left")
        carried = carried_audit(store, own)
    assert carried.words == "audit of 2026-05-28 by another player"
    assert not carried.level.settles_level
    # A strip that lies too far one way shows the other way for a left-hander.
    assert carried.level.offset_mm < 0
    words = {one.lie.level_words for one in picture_of(db, own).clubs}
    assert words == {"address only (audit of 2026-05-28 by another player)"}


def test_pairs_from_a_file_are_kept_with_the_session_they_are_of(hard, tmp_path, capsys):
    db, first, second, _ = hard
    pairs = tmp_path / "pairs.csv"
    pairs.write_text(
        "board_toe_mm,mark_toe_mm\n" + "".join(f"{8.5 + x},{x}\n" for x in (-3, -1, 0, 2, 4, 6, 8))
    )
    assert main(["board", "audit", str(pairs), "--keep", "--db", str(db)]) == 2
    assert "--session" in capsys.readouterr().err
    given = ["board", "audit", str(pairs), "--keep", "--session", str(first.id), "--db", str(db)]
    assert main(given) == 0
    with Store.open(db, read_only=True) as store:
        level = carried_audit(store, second).level
    # Shrunken toward the address mark by what a day does.
    assert 5.0 < level.offset_mm < 8.5
