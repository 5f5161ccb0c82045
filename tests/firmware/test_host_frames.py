"""Whatever a host sends, the core neither hangs nor corrupts memory, and answers the next question.

The core runs in a program of its own under the address and undefined behaviour sanitisers: an error
there ends the program, and the test with it.
"""

from __future__ import annotations

import struct
import subprocess
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from cobs import cobs
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.protocol.framing import encode_frame
from logger.protocol.records import AskClock, AskHello, Confirm, SendAgain, SetTrigger
from logger.protocol.wire import encode


class Sanitised:
    """The fuzzing program: bytes of a host in, bytes of the board out."""

    def __init__(self, program: Path, errors: Path) -> None:
        self._errors = errors
        self._log = errors.open("w")
        self._process = subprocess.Popen(
            [str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._log
        )

    def ask(self, data: bytes) -> bytes:
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None
        assert stdout is not None
        try:
            stdin.write(struct.pack("<I", len(data)) + data)
            stdin.flush()
            head = stdout.read(4)
            out = stdout.read(struct.unpack("<I", head)[0]) if len(head) == 4 else b""
        except BrokenPipeError:
            head = out = b""
        if len(head) < 4:
            raise AssertionError(f"the core died:\n{self._errors.read_text()[:3000]}")
        return out

    def close(self) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        code = self._process.wait(10)
        self._log.close()
        return code


@pytest.fixture(scope="module")
def core(sanitised: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sanitised]:
    program = Sanitised(sanitised, tmp_path_factory.mktemp("fuzz") / "errors.txt")
    yield program
    assert program.close() == 0


def frame(message: object) -> bytes:
    return encode_frame(encode(message))


def framed(body: bytes) -> bytes:
    checked = body + zlib.crc32(body).to_bytes(4, "little")
    return cobs.encode(checked) + b"\x00"


u32 = st.integers(0, 2**32 - 1)
messages = st.one_of(
    st.just(AskHello()),
    st.builds(AskClock, u32),
    # The first boot's id is 1: these are obeyed.
    st.builds(Confirm, st.just(1) | u32, st.integers(0, 8) | u32),
    st.builds(SendAgain, st.just(1) | u32, st.integers(0, 8) | u32),
    st.builds(SetTrigger, st.integers(0, 65535)),
)
pieces = st.one_of(
    st.binary(max_size=80),
    messages.map(frame),
    st.binary(min_size=1, max_size=40).map(framed),
    # A known type with a payload of any length.
    st.builds(
        lambda kind, rest: framed(bytes([kind]) + rest),
        st.integers(0x21, 0x25),
        st.binary(max_size=20),
    ),
    st.builds(lambda message, cut: frame(message)[:cut], messages, st.integers(0, 14)),
    st.integers(500, 1200).map(lambda length: b"\xff" * length),
    st.integers(500, 1200).map(lambda length: framed(b"\x22" + b"\x01" * length)),
    st.just(b"\x00" * 20),
)


@given(host=st.lists(pieces, max_size=20))
@settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_bytes_of_a_host_are_survived(core: Sanitised, new_ear, host: list[bytes]) -> None:
    line = b"".join(host) + b"\x00" + frame(AskHello()) + frame(AskClock(0xC0FFEE))
    heard = new_ear().hear(core.ask(line))
    assert heard.damage == []
    assert heard.hellos[-1].boot_id >= 1
    assert heard.clock_replies[-1].token == 0xC0FFEE


def test_bad_frames_are_counted_one_by_one(core: Sanitised, new_ear) -> None:
    good = frame(AskHello())
    bad = [
        b"\x05\x01\x02\x00",
        b"\x01\x00",
        bytes([good[0] + 1]) + good[1:],
        framed(b"\x77unknown"),
        framed(b"\x23short"),
        framed(b"\x22" + b"\x01" * 508),
    ]
    for count in range(len(bad) + 1):
        line = b"".join(bad[:count]) + good + frame(SetTrigger(10))
        heard = new_ear().hear(core.ask(b"\x00" + line))
        assert heard.statuses[0].bad_frames == count


def test_a_board_that_is_asked_again_and_again_still_sends_its_strikes(
    core: Sanitised, new_ear
) -> None:
    """Requests faster than the line can answer: records wait, none is lost without a count."""
    line = (frame(AskHello()) + frame(AskClock(1)) + frame(SendAgain(1, 0))) * 60
    heard = new_ear().hear(core.ask(line))
    assert heard.damage == []
    assert len(heard.strikes) > 5
