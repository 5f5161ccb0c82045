"""Recordings that were made by hand, played back: every record in them is filed, or it is said.

The board's side comes from the simulator's encoder, which shares nothing with the logger.
"""

from __future__ import annotations

import pytest

from logger.links.capture import CaptureWriter, RecordKind
from logger.protocol.clock import UtcAnchor
from simulators import encode

ANCHOR = UtcAnchor(monotonic_ns=1_000_000_000, utc_ns=1_760_000_000_000_000_000)
SWINGS = 40
S = 1_000_000_000


def hello(following=0):
    return encode.Hello(
        board_id=bytes(range(8)), boot_id=7, firmware=(1, 0, 0), tick_hz=1_000_000, rows=1,
        cells=16, pitch_um=4000, row_distance_um=0, scan_order=0, scan_ticks=52, full_scale=1023,
        trigger_level=24, oldest_kept=0, next_sequence=following, abilities=31, name="bench",
    ).encode()  # fmt: skip


def swing(sequence, at_ns):
    return encode.reading(
        sequence=sequence, ticks=at_ns // 1000 % 2**32, position=100,
        trail=encode.TRAIL_UNKNOWN, pressure=500, flags=encode.SUMS_UP, span_ticks=700,
    )  # fmt: skip


def exchange(writer, token, at_ns):
    ask = encode.frame(encode.ASK_CLOCK, token.to_bytes(4, "little"))
    ticks = at_ns // 1000
    reply = encode.clock_reply(token=token, received_ticks=ticks + 500, sent_ticks=ticks + 520)
    writer.write(RecordKind.TO_BOARD, ask, at_ns)
    writer.write(RecordKind.FROM_BOARD, reply, at_ns + 2_000_000)


def record(path, *, exchanges, greeted=True, every_s=5.0, following=0):
    """Write a recording of some swings; return their UTC."""
    struck = []
    with CaptureWriter(path, "/dev/ttyACM0", ANCHOR) as writer:
        at = ANCHOR.monotonic_ns
        if greeted:
            writer.write(RecordKind.FROM_BOARD, hello(following), at)
        for sequence in range(SWINGS):
            at += round(every_s * S)
            if exchanges:
                exchange(writer, sequence + 1, at - S // 2)
            writer.write(RecordKind.FROM_BOARD, swing(sequence, at), at + 3_000_000)
            struck.append(ANCHOR.to_utc_ns(at))
    return struck


@pytest.mark.parametrize("exchanges", [False, True], ids=["no clock", "clock before each swing"])
@pytest.mark.parametrize("every_s", [5.0, 0.03], ids=["swings", "all in a second"])
def test_all_that_was_recorded_is_filed(exchanges, every_s, lieboard, tmp_path):
    struck = record(tmp_path / "a.capture", exchanges=exchanges, every_s=every_s)
    played = lieboard.run("log", f"capture:{tmp_path / 'a.capture'}")
    assert (played.returncode, played.stderr) == (0, "")
    found = [row[0] for row in lieboard.rows("SELECT struck_utc_ns FROM records ORDER BY sequence")]
    assert len(found) == SWINGS
    # A record is dated by its clock, or to within how late its arrival is.
    assert found == pytest.approx(struck, abs=20_000_000)
    assert lieboard.rows("SELECT COUNT(*) FROM strikes")[0][0] == SWINGS


def test_kept_records_without_a_clock_are_stored_and_said(lieboard, tmp_path):
    record(tmp_path / "a.capture", exchanges=False, every_s=0.01, following=SWINGS)
    played = lieboard.run("log", f"capture:{tmp_path / 'a.capture'}")
    assert (played.returncode, played.stderr) == (0, "")
    assert "40 records came before the board's clock was known" in played.stdout
    # Half a wrap of a 32 bit counter at 1 MHz.
    assert lieboard.rows("SELECT COUNT(*) FROM records WHERE struck_u_ns >= 2147483648000") == [
        (SWINGS,)
    ]


def test_records_that_nobody_can_place_end_it_with_an_error(lieboard, tmp_path):
    record(tmp_path / "a.capture", exchanges=True, greeted=False)
    played = lieboard.run("log", f"capture:{tmp_path / 'a.capture'}")
    assert played.returncode == 3
    assert "40 records were left out" in played.stderr
    assert played.stderr.count("\n") == 1
