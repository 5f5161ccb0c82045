"""Sessions of the second world: the textbook without faults, both hands, and ways into the product.

Their faults are documented in `second_world`; here it is proved that the truth beside the records
is the truth of the records.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from second_world import draw_session
from second_world.filing import add_marks, file_session, keep_calibration, write_capture

from logger.protocol.decoding import Decoder
from logger.protocol.records import Button, Hello, RawRecord, Strike
from logger.store.store import Store


def heaviest(session, strike):
    raw = strike.counts[:, 0] - session.board.rest[0]
    return raw[raw.sum(axis=1).argmax()]


class TestTextbook:
    @pytest.mark.parametrize(("depth_mm", "hand"), [(1.0, "right"), (3.5, "left")])
    def test_no_fault_is_a_parabola(self, depth_mm, hand):
        # p(x) = k max(0, d - u^2/2R - u tan(lie)), cut off at the sole's ends (Johnson 4.3).
        session = draw_session(
            11, faults=0, depth_mm=depth_mm, hand=hand, board="4x32", clubs=6, swings=3, offset_mm=5
        )
        for strike in session.strikes:
            club = session.clubs[strike.club]
            side = 1 if hand == "right" else -1
            u = side * session.board.place_mm - strike.middle_mm
            gap = -(u**2) / (2 * club.sole.camber_mm) - u * np.tan(np.radians(strike.lie_deg))
            gap += strike.depth_mm - strike.toe_mm**2 / (2 * club.sole.camber_mm)
            inside = (u > club.sole.heel_end_mm) & (u < club.sole.toe_end_mm)
            expected = np.where(inside, np.maximum(gap, 0), 0)
            row = heaviest(session, strike)
            # A cell at the border of the print, or of the sole, may stand on either side.
            clear = abs(expected - expected.max() / 20) > expected.max() / 20
            clear &= np.min([abs(u - club.sole.heel_end_mm), abs(u - club.sole.toe_end_mm)], 0) > 1
            scale = (row * expected)[clear].sum() / (expected**2)[clear].sum()
            assert row[clear] == pytest.approx(scale * expected[clear], abs=0.012 * row.max())

    def test_too_upright_presses_the_heel(self):
        session = draw_session(11, faults=0, depth_mm=1.0, hand="right", board="4x32", offset_mm=0)
        for strike in session.strikes:
            row = heaviest(session, strike)
            place = np.sum(row * session.board.place_mm) / row.sum()
            assert place == pytest.approx(strike.toe_mm, abs=0.5)
            assert np.sign(strike.toe_mm) == -np.sign(strike.lie_deg)

    def test_feet_that_stand_lower_read_too_upright(self):
        for seed in range(20):
            session = draw_session(seed, swings=3)
            for club in session.clubs:
                # 1.3 to 1.5 degrees for 10 mm with a middle iron (worked out by hand).
                assert 0.1 < club.stance_deg / session.player.stance_mm < 0.2


class TestHands:
    def test_left_is_right_in_a_mirror(self):
        plain = {"faults": 0, "depth_mm": 2.5, "board": "4x32", "offset_mm": 4.0, "swings": 3}
        right = draw_session(3, hand="right", **plain)
        left = draw_session(3, hand="left", **plain)
        for one, other in zip(right.strikes, left.strikes, strict=True):
            ours, theirs = heaviest(right, one), heaviest(left, other)[::-1]
            # Resting levels are each cell's own, so rounding differs by a count.
            assert ours == pytest.approx(theirs, abs=1)


class TestGoingOn:
    def test_more_swings_change_nothing_before(self):
        short = draw_session(5, swings=3)
        longer = short.with_more({short.clubs[0].label: 4, short.clubs[2].label: 2})
        kept = len(short.strikes)
        assert len(longer.strikes) >= kept + 5
        for one, other in zip(short.strikes, longer.strikes, strict=False):
            assert np.array_equal(one.counts, other.counts)
            assert one.at_ticks == other.at_ticks
        whole = draw_session(5, swings=8)
        first = [s for s in whole.strikes if s.club == longer.strikes[0].club]
        assert np.array_equal(first[0].counts, short.strikes[0].counts)

    def test_the_same_seed_is_the_same_session(self):
        one, other = draw_session(8), draw_session(8)
        assert one.records() == other.records()
        assert draw_session(9).records() != one.records()


class TestRecords:
    @pytest.mark.parametrize("board", ["4x32", "4x32x2", "3x40", "5x24"])
    def test_come_back_from_the_wire(self, board):
        session = draw_session(4, board=board, swings=3)
        decoder = Decoder()
        (hello,) = decoder.feed(session.hello(), 0)
        assert isinstance(hello, Hello)
        assert (hello.rows, hello.cells) == session.board.gain.shape
        strikes = {s.sequence: s for s in session.strikes}
        for sequence, _, frames in session.records():
            (item,) = decoder.feed(b"".join(frames), 0)
            assert isinstance(item, RawRecord)
            assert item.record.sequence == sequence
            if isinstance(item.record, Strike):
                true = strikes.pop(sequence)
                assert np.array_equal(item.record.counts, true.counts)
                assert np.array_equal(item.record.scan_ticks, true.scan_ticks)
            else:
                assert isinstance(item.record, Button)
        assert not strikes


def stored(store):
    """What must be the same whichever way it came in; moments to a millisecond."""
    (row,) = store.sessions.all()
    clubs = {club.id: club for club in store.sets.get(row.set).clubs}
    strikes = [
        (clubs[c.club].label, c.first_sequence, c.kind, c.used, c.toe_mm, c.board_mm, c.trail_mm,
         c.load, c.span_us, c.flags)
        for c in store.strikes.contacts(row.id)
    ]  # fmt: skip
    moments = [c.struck_utc_ns / 1e9 for c in store.strikes.contacts(row.id)]
    agreed = (row.hand, row.stance_mm, row.stance_u_mm, row.sole_middle_mm, row.sole_middle_u_mm)
    raw = [one.raw for one in store.records.read(boot=1, session=row.id)]
    return strikes, raw, agreed, [club.spec for club in clubs.values()], moments


class TestIntoTheProduct:
    @pytest.mark.parametrize(
        ("seed", "choices"),
        [
            (21, {"hand": "left", "stance_told": True}),
            (22, {"board": "4x32x2", "calibrated": False, "stance_told": False}),
        ],
    )
    def test_fast_way_stores_what_the_commands_store(self, tmp_path, warm_commands, seed, choices):
        session = draw_session(seed, swings=3, **choices)
        with Store.open(tmp_path / "fast.db") as store:
            file_session(store, session, folder=tmp_path)
            fast = stored(store)
        environment = {**os.environ, "LIEBOARD_DB": str(tmp_path / "slow.db"), "NO_COLOR": "1"}
        write_capture(tmp_path / "swings.lbc", session)
        player = session.player
        told = [] if player.told_stance_mm is None else [
            "--stance", str(player.told_stance_mm), "--stance-u", str(player.told_stance_u_mm)
        ]  # fmt: skip
        with Store.open(tmp_path / "slow.db") as store:
            keep_calibration(store, session)
        for arguments in (
            ("set", "import", str(tmp_path / "set.toml")),
            ("log", f"capture:{tmp_path / 'swings.lbc'}", *told,
             "--sole-middle", str(player.told_mark_mm)),
        ):  # fmt: skip
            done = warm_commands.run(*arguments, environment=environment)
            assert done.returncode == 0, done.stderr
        with Store.open(tmp_path / "slow.db") as store:
            slow = stored(store)
        assert len(fast[0]) == len(session.strikes)
        assert slow[:4] == fast[:4]
        assert slow[4] == pytest.approx(fast[4], abs=1e-3)

    def test_strikes_stand_under_their_clubs(self, tmp_path):
        session = draw_session(23, swings=8)
        with Store.open(tmp_path / "d.db") as store:
            row = file_session(store, session, folder=tmp_path)
            clubs = {club.id: club.label for club in store.sets.get(row.set).clubs}
            true = {s.sequence: s for s in session.strikes}
            seen = store.strikes.contacts(row.id)
            assert [clubs[c.club] for c in seen] == [
                session.clubs[true[c.first_sequence].club].label for c in seen
            ]
            wrong = [
                c for c in seen if c.kind == "strike" and true[c.first_sequence].kind != "strike"
            ]
            assert not wrong
            add_marks(store, row, session, 3)
            marks = store.strikes.contacts(row.id, source="mark")
            assert [clubs[m.club] for m in marks] == ["7i"] * 3
            truth = [s.toe_mm for s in session.strikes if s.club == session.order[0]][:3]
            assert [m.toe_mm for m in marks] == pytest.approx(truth, abs=4.0)
