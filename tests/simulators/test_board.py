"""The board's firmware on virtual time: protocol answers, ring, triggers, records."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulators.board import Board
from simulators.board_options import BoardOptions
from simulators.capture import CaptureRules
from simulators.contacts import Press, Restart
from simulators.script import parse_script
from simulators.sole import Grid
from simulators.strip import CellFaults, Scanning

MS = 1_000_000
SECOND = 1_000 * MS
SATURATED, EDGE, AFTER_DROP, STILL_LOADED, LATE_START = 8, 16, 32, 64, 128


class Bench:
    """A board with a list of truths, and a host that says hello at once."""

    def __init__(self, host, *, hello=True, seed=0, **options):
        self.truth = []
        self.board = Board(np.random.default_rng(seed), BoardOptions(**options), self.truth.append)
        self.host = host
        self.first = self.board.advance(0)
        if hello:
            self.say(host.ask_hello())

    def say(self, data):
        self.board.receive(data)
        return self.host.read(self.board.advance(0))

    def wait(self, dt_ns):
        return self.board.advance(dt_ns)

    def play(self, *entries, pace_ms=100, **clubs):
        script = {"clubs": clubs, "events": list(entries)}
        events = parse_script(script, pace_ns=pace_ms * MS, hand=1)
        self.board.play(events)
        return self.board.advance(pace_ms * MS * (len(entries) + 2))

    def strikes(self, n):
        return self.play(*[{"club": "7i"}] * n)

    @property
    def status(self):
        return self.say(self.host.set_trigger(40))[-1]


@pytest.fixture
def bench(host):
    def make(**options):
        return Bench(host, **options)

    return make


def whole_strikes(heard):
    """Parts put together: sequence -> (ticks, counts, flags)."""
    strikes = {}
    for part in heard:
        if part.kind == "strike":
            strikes.setdefault(part["sequence"], []).append(part)
    whole = {}
    for sequence, parts in strikes.items():
        assert [p["part"] for p in parts] == list(range(parts[0]["parts"]))
        assert len({(p["flags"], p["span_ticks"], p["parts"]) for p in parts}) == 1
        ticks = np.concatenate([p["scan_ticks"] for p in parts])
        counts = np.concatenate([p["counts"] for p in parts])
        whole[sequence] = (ticks, counts.astype(float), parts[0]["flags"], parts[0]["span_ticks"])
    return whole


def test_hello_after_reset_and_on_request(bench, host):
    made = bench(hello=False, boot_id=77, name="mat", grid=Grid(rows=2, cells=24))
    # A 0x00 first, to cut off whatever came before.
    assert made.first[0] == 0
    hello = host.read(made.first)[0]
    assert (hello["boot_id"], hello["name"], hello["rows"], hello["cells"]) == (77, "mat", 2, 24)
    assert (hello["pitch_um"], hello["row_distance_um"]) == (4000, 12000)
    assert hello["scan_ticks"] == 47 * 2
    assert hello["oldest_kept"] == hello["next_sequence"] == 0
    assert made.say(host.ask_hello())[0].fields == hello.fields


def test_status_comes_each_second_and_records_wait_for_hello(bench, host):
    made = bench(hello=False)
    sent = host.read(made.strikes(3) + made.wait(2 * SECOND))
    assert {h.kind for h in sent} == {"status"}
    assert sent[-1]["kept"] == 3
    times = [h["ticks"] for h in sent]
    assert np.diff(times) == pytest.approx(1_000_018, abs=1)
    hello = made.say(host.ask_hello())[0]
    assert (hello["oldest_kept"], hello["next_sequence"]) == (0, 3)
    again = made.say(host.send_again(1, 0))
    assert sorted(whole_strikes(again)) == [0, 1, 2]


def test_send_again_starts_where_asked_and_changes_nothing(bench, host):
    made = bench()
    first = made.strikes(4)
    assert host.sequences(first) == [0, 1, 2, 3]
    again = made.say(host.send_again(1, 2))
    sent = [h.fields["sequence"] for h in again if h["part"] == 0]
    assert sent == [2, 3]
    earlier = whole_strikes(host.read(first))
    for sequence, (ticks, counts, *_) in whole_strikes(again).items():
        assert np.array_equal(ticks, earlier[sequence][0])
        assert np.array_equal(counts, earlier[sequence][1])


def test_confirm_forgets_up_to_and_including(bench, host):
    made = bench()
    made.strikes(5)
    made.say(host.confirm(1, 2))
    assert (made.status["oldest_kept"], made.status["kept"]) == (3, 2)
    assert [h["sequence"] for h in made.say(host.send_again(1, 0)) if h["part"] == 0] == [3, 4]
    made.say(host.confirm(1, 4))
    status = made.status
    assert (status["oldest_kept"], status["next_sequence"], status["kept"]) == (5, 5, 0)
    # Confirmed again, and below what is gone: no harm.
    made.say(host.confirm(1, 0))
    assert made.status["next_sequence"] == 5


def test_another_boots_id_is_ignored(bench, host):
    made = bench(boot_id=9)
    made.strikes(2)
    assert made.say(host.confirm(8, 1)) == []
    assert made.say(host.send_again(8, 0)) == []
    assert made.status["kept"] == 2
    assert made.status["bad_frames"] == 0


def test_full_ring_drops_the_oldest_counts_it_and_flags_the_next(bench, host):
    made = bench(capacity=3)
    made.strikes(5)
    status = made.status
    assert (status["kept"], status["dropped"], status["oldest_kept"]) == (3, 2, 2)
    kept = whole_strikes(made.say(host.send_again(1, 0)))
    assert sorted(kept) == [2, 3, 4]
    # Section 2.6: "at least one record just before this one had to be dropped".
    assert [flags & AFTER_DROP for _, _, flags, _ in kept.values()] == [AFTER_DROP, 0, 0]


def test_a_dropped_record_before_a_button_flags_the_strike_after_it(bench, host):
    made = bench(capacity=2)
    made.play({"club": "7i"}, {"button": "next"}, {"club": "7i"})
    again = made.say(host.send_again(1, 0))
    assert [h["sequence"] for h in again if h.fields.get("part", 0) == 0] == [1, 2]
    assert again[-1]["flags"] & AFTER_DROP


def test_unknown_and_bad_frames_are_counted_and_harmless(bench, host):
    made = bench()
    assert made.say(host.frame(0x7E, b"?") + b"\x09junk\x00" + host.frame(0x23, b"\1")) == []
    assert made.status["bad_frames"] == 3
    assert made.say(host.ask_hello())[0].kind == "hello"
    assert made.say(host.ask_hello()[:-1]) == []
    made.board.link_closed()
    assert made.status["bad_frames"] == 3


def test_clock_reply_carries_true_ticks(bench, host):
    made = bench(tick_hz=250_000, tick_error_ppm=-40.0, turnaround_ns=3 * MS)
    made.wait(100 * SECOND)
    made.board.receive(host.ask_clock(0xDEADBEEF))
    assert made.wait(2 * MS) == b""
    reply = host.read(made.wait(2 * MS))[0]
    assert reply["token"] == 0xDEADBEEF
    # 100 s at 250 kHz, 40 millionths slow.
    assert reply["received_ticks"] == 25_000_000 - 1000
    assert reply["sent_ticks"] - reply["received_ticks"] in (749, 750)


def test_ticks_wrap(bench, host):
    made = bench(first_ticks=2**32 - 50_000, tick_error_ppm=0.0)
    ticks, *_ = whole_strikes(host.read(made.play({"club": "7i", "after_ms": 50.0})))[0]
    assert ticks[0] > 2**32 - 1000
    assert ticks[-1] < 1000
    assert set(np.diff(ticks.astype(np.int64)) % 2**32) == {74}


def test_set_trigger_is_obeyed_answered_and_forgotten_at_restart(bench, host):
    made = bench()
    answer = made.say(host.set_trigger(3000))[0]
    assert (answer.kind, answer["trigger_level"]) == ("status", 3000)
    assert host.sequences(made.strikes(1)) == []
    assert made.truth[-1]["missed"] == "too light"
    made.board.reset()
    assert host.read(made.wait(0))[0]["trigger_level"] == 40


def test_a_strike_holds_rest_before_and_load_after_the_trigger(bench, host):
    made = bench(faults=CellFaults.none(noise_counts=1.0))
    ticks, counts, flags, span = whole_strikes(
        host.read(made.play({"club": "7i", "depth_mm": 2.5, "speed_mm_per_ms": 35.0}))
    )[0]
    assert flags == 0
    above = counts.max(axis=(1, 2)) - 60
    assert above[:8].max() < 40 <= above[8]
    assert above[-4:].max() < above.max() / 32
    assert above.max() == pytest.approx(0.92 * 2.5 * 900, rel=0.1)
    # The sole and the row need (19.5 - 1 + 8) / 35 ms to pass; the first and last bit are light.
    assert 400 < span <= 26.5 / 35 * 1000
    assert ticks[8] + span == ticks[len(ticks) - 5]


def test_two_rows_are_reached_one_after_the_other(bench, host):
    made = bench(grid=Grid(rows=2), scanning=Scanning(scan_order=1),
                 faults=CellFaults.none(noise_counts=1.0))  # fmt: skip
    entry = {"club": "7i", "speed_mm_per_ms": 30.0}
    ticks, counts, *_ = whole_strikes(host.read(made.play(entry)))[0]
    load = np.maximum(counts - 60 - 4, 0).sum(axis=2)
    middle = (load * (ticks - ticks[0])[:, None]).sum(axis=0) / load.sum(axis=0)
    assert middle[1] - middle[0] == pytest.approx(12 / 30 * 1000, rel=0.05)


@pytest.mark.parametrize(
    ("entry", "flag"),
    [
        ({"club": "7i", "depth_mm": 6.0}, SATURATED),
        ({"club": "7i", "c_mm": 45.0}, EDGE),
        ({"kind": "rest", "club": "7i", "depth_mm": 1.0, "hold_ms": 600}, STILL_LOADED),
        ({"kind": "foot"}, STILL_LOADED),
        ({"club": "7i", "depth_mm": 2.0}, 0),
    ],
)
def test_flags_say_what_is_wrong_with_a_strike(bench, host, entry, flag):
    made = bench(faults=replace(CellFaults(), stuck_cells=(2,)))
    sent = host.read(made.play(entry, pace_ms=1000))
    kept = whole_strikes(sent)
    assert sorted(kept) == [0]
    # A foot may well reach the end of the strip, too.
    looked_at = SATURATED | STILL_LOADED | LATE_START | (0 if flag == STILL_LOADED else EDGE)
    assert kept[0][2] & looked_at == flag
    if flag == STILL_LOADED:
        # Section 2.4: the span is until the record was closed.
        assert kept[0][3] == pytest.approx(100_000, rel=1e-3)


def test_a_second_trigger_soon_after_starts_late(bench, host):
    made = bench(rules=CaptureRules(hold_off_ns=100_000))
    first = made.play({"club": "7i", "after_ms": 5.0}, {"club": "7i", "after_ms": 1.45})
    kept = whole_strikes(host.read(first))
    assert sorted(kept) == [0, 1]
    assert not kept[0][2] & LATE_START
    assert kept[1][2] & LATE_START
    assert kept[0][0][-1] < kept[1][0][0]


def test_what_a_record_covers_makes_no_second_one(bench, host):
    made = bench()
    rest = {"kind": "rest", "club": "7i", "depth_mm": 1.0, "hold_ms": 400}
    sent = made.play(rest, {"club": "7i", "after_ms": 200}, {"club": "7i", "after_ms": 800},
                     pace_ms=600)  # fmt: skip
    assert host.sequences(sent) == [0, 1]
    assert [(t["kind"], t["sequence"], t.get("missed")) for t in made.truth] == [
        ("rest", 0, None), ("strike", None, "covered"), ("strike", 1, None),
    ]  # fmt: skip


def test_cold_restart_loses_all_and_warm_restart_keeps_what_was_never_sent(bench, host):
    for warm in (False, True):
        made = bench(hello=False, first_ticks=500, tick_error_ppm=0.0, boot_id=2**32 - 1)
        made.strikes(2)
        before = made.board.ticks(made.board.now_ns)
        made.board.play([Restart(0, warm=warm)])
        sent = made.wait(0)
        hello = host.read(sent)[0]
        assert hello["boot_id"] == 0
        assert hello["next_sequence"] == (2 if warm else 0)
        assert made.board.ticks(made.board.now_ns) == (before if warm else 500)
        # The next record is not sent before this boot has seen a hello.
        assert host.sequences(made.strikes(1)) == []
        made.say(host.ask_hello())
        again = whole_strikes(made.say(host.send_again(0, 0)))
        assert sorted(again) == ([0, 1, 2] if warm else [0])

    # Sent already: under new numbers the host would have them twice.
    made = bench()
    made.strikes(2)
    made.board.reset(warm=True)
    assert host.read(made.wait(0))[0]["next_sequence"] == 0


def test_foot_switch_is_a_record_like_any_other(bench, host):
    made = bench()
    made.board.play([Press(5 * MS, 1, "7i"), Press(9 * MS, 3, "8i")])
    sent = host.read(made.wait(10 * MS))
    assert [(h.kind, h["sequence"], h["action"]) for h in sent] == [
        ("button", 0, 1),
        ("button", 1, 3),
    ]
    assert sent[0]["ticks"] == 5000
    made = bench(foot_switch=False)
    made.board.play([Press(5 * MS, 1, "7i")])
    assert made.wait(10 * MS) == b""


def test_reading_sums_up_a_contact(bench, host):
    made = bench(form="readings", faults=CellFaults.none(noise_counts=1.0),
                 scanning=Scanning(scan_order=2), grid=Grid(rows=2))  # fmt: skip
    entry = {"club": "round", "c_mm": 3.0, "lie_error_deg": 1.0, "depth_mm": 1.4, "trail_mm": 2.0}
    sent = host.read(made.play(entry, round={"length_mm": 120.0}))
    assert [h.kind for h in sent] == ["reading"]
    reading = sent[0]
    assert reading["flags"] == 4
    # The centroid of a Winkler patch is at its lowest point (Johnson 4.3).
    assert reading["position"] / 100 == pytest.approx(made.truth[-1]["board_mm"], abs=0.2)
    assert made.truth[-1]["board_mm"] == pytest.approx(3.0 - 5.24, abs=0.01)
    assert reading["trail"] / 100 == pytest.approx(2.0, abs=2.0)
    assert reading["span_ticks"] > 400
    one_row = bench(form="readings")
    assert host.read(one_row.play(entry, round={}))[0]["trail"] == -32768


def test_stream_begins_once_and_ends_once(bench, host):
    made = bench(form="stream")
    sent = host.read(made.play({"club": "7i"}))
    flags = [h["flags"] for h in sent]
    assert len(sent) > 5
    assert [f & 3 for f in flags] == [1, *[0] * (len(sent) - 2), 2]
    assert [h["sequence"] for h in sent] == list(range(len(sent)))
    assert all(h["span_ticks"] == 0 for h in sent)
    pressures = [h["pressure"] for h in sent]
    assert max(pressures) > 3 * max(pressures[0], pressures[-1])
    assert made.truth[-1]["records"] == len(sent)
    # A long load does not flood the ring.
    rest = {"kind": "rest", "club": "7i", "depth_mm": 1.0, "hold_ms": 900}
    assert len(host.read(bench(form="stream").play(rest))) < 64


def test_text_board_speaks_lines_from_the_start_and_hears_nothing(bench, host):
    made = bench(form="text", hello=False)
    assert made.first == b""
    sent = made.play({"club": "7i", "c_mm": 5.0}, {"button": "back"})
    made.board.receive(host.ask_hello())
    lines = (sent + made.wait(5 * SECOND)).decode("ascii").splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("LB1 n=0 t=")
    assert " d=" in lines[0]
    assert "k=back" in lines[1]
    bare = bench(form="text", bare_text=True, hello=False).play({"club": "7i", "c_mm": 5.0})
    key, value = bare.decode("ascii").split()[1].split("=")
    assert key == "x"
    assert abs(float(value) - 5) < 2


def test_noise_triggers_come_at_the_rate_of_a_normal_tail(bench, host):
    # Upper tail of the normal distribution, Q(5.25) = 7.6e-8 (standard tables).
    faults = CellFaults.none(noise_counts=2.0)
    made = bench(faults=faults, trigger_level=11, capacity=100_000, grid=Grid(cells=8))
    # Level 11 is reached from 10.5, 5.25 times the noise; 8 cells, one scan each 26 us: 0.0234 a
    # second; 4000 s give 94 +- 10.
    made.wait(4000 * SECOND)
    assert len(made.truth) == pytest.approx(94, abs=50)
    assert {t["kind"] for t in made.truth} == {"noise"}
    kept = whole_strikes(made.say(host.send_again(1, 0)))
    assert min(counts.max() for _, counts, *_ in kept.values()) >= 60 + 11
    quiet = bench(faults=faults)
    quiet.wait(100_000 * SECOND)
    assert quiet.truth == []


def test_one_byte_values_only_where_they_fit(bench, host):
    made = bench(compact=True)
    sent = host.read(made.play({"club": "7i"}, {"kind": "waggle", "club": "7i", "depth_mm": 0.15,
                                                "speed_mm_per_ms": 1.0}))  # fmt: skip
    sizes = {h["sequence"]: h["value_bytes"] for h in sent if h.kind == "strike"}
    assert sizes == {0: 2, 1: 1}


def test_same_seed_same_bytes(bench):
    def run(seed):
        made = bench(seed=seed)
        return made.strikes(3)

    assert run(3) == run(3)
    assert run(3) != run(4)


def test_time_in_small_steps_is_time_in_one(bench):
    whole, steps = bench(), bench()
    for made in (whole, steps):
        made.board.play(parse_script({"events": [{"club": "7i"}] * 3}, pace_ns=50 * MS, hand=1))
    sent = b"".join(steps.wait(137_003) for _ in range(10_000))
    assert whole.wait(137_003 * 10_000) == sent


def test_options_that_make_no_board_are_refused():
    for bad in ({"form": "smoke"}, {"form": "text", "tick_hz": 1000}, {"board_id": b"short"},
                {"grid": Grid(rows=3, cells=64)}):  # fmt: skip
        with pytest.raises(ValueError, match=r"must be|bytes|rows"):
            BoardOptions(**bad)
    with pytest.raises(ValueError, match="backwards"):
        Board(np.random.default_rng(0)).advance(-1)
