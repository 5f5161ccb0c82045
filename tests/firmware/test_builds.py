"""Building: what is missing is said in one line, every board compiles, ids are not forgotten."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import numpy as np
import pytest

from logger.protocol.records import AskHello
from simulators.core_board import (
    REFERENCE,
    BuildError,
    CoreBoard,
    CoreOptions,
    build_library,
    make,
)
from simulators.emulator.driver import EmulatedBoard, build_emulator, build_firmware

BOARDS = sorted(path.stem for path in (REFERENCE / "boards").glob("*.h"))


def test_a_missing_compiler_is_named_with_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "make").write_text("#!/bin/sh\nexit 1\n")
    (tmp_path / "make").chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(BuildError, match=r"avr-gcc is not installed: apt-get install .*gcc-avr"):
        build_firmware(tmp_path)
    with pytest.raises(BuildError, match="cc is not installed: apt-get install gcc make"):
        build_library(tmp_path)
    with pytest.raises(BuildError, match=r"cc is not installed: .*libsimavr-dev"):
        build_emulator(tmp_path)


def test_a_board_that_is_not_there_fails_with_the_compilers_words(tmp_path: Path) -> None:
    with pytest.raises(BuildError, match=r"boards/no_such_board\.h"):
        build_library(tmp_path, "no_such_board")


@pytest.mark.parametrize("board", BOARDS)
def test_every_board_compiles_for_this_computer_and_starts(library, board: str) -> None:
    made = CoreBoard(library(board))
    assert made.advance(400_000_000)[:1] == b"\x00"


@pytest.mark.parametrize("tick_hz", [32_768, 3_000_000, 100_000_000])
def test_another_tick_rate_tells_the_same_story(
    tmp_path: Path, library, new_ear, say, tick_hz: int
) -> None:
    """Strikes begin and last as long in seconds as with the usual microseconds."""
    quick = tmp_path / "quick"
    make(REFERENCE, "host", "cc", "", BOARD="strip16", OUT=str(quick), TICK_HZ=str(tick_hz))
    told = []
    for path in (library("strip16"), quick / "libboard.so"):
        board = CoreBoard(path, CoreOptions(noise_counts=0))
        ear = new_ear()
        ear.hear(board.advance(300_000_000))
        board.receive(say(AskHello()))
        (hello,) = ear.hear(board.advance(50_000_000)).hellos
        places = np.zeros((21, 1, 16))
        places[:, 0, 5:9] = 80 * np.sin(np.pi * np.linspace(0, 1, 21))[:, np.newaxis]
        # A strike, and a press that is thinned out.
        for length_us in (800, 40_000):
            board.play(board.now_ns + 2_000_000, length_us * 50, places)
            heard = ear.hear(board.advance(1_000_000_000))
            (strike,) = heard.strikes
            times_s = np.diff(strike.scan_ticks.astype(np.int64)) / hello.tick_hz
            told.append((strike.span_ticks / hello.tick_hz, times_s, strike.counts))
        assert len(heard.statuses) == 1
    for (span_s, times_s, counts), (other_span_s, other_times_s, other) in zip(
        told[:2], told[2:], strict=True
    ):
        assert other_span_s == pytest.approx(span_s, abs=1.1e-6 + 1 / tick_hz)
        assert other_times_s == pytest.approx(times_s, abs=1.1e-6 + 1 / tick_hz)
        np.testing.assert_array_equal(other, counts)


def test_a_board_too_large_for_the_chip_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(BuildError, match="at most 16 cells a row: build this board for the RP2040"):
        build_firmware(tmp_path / "two_by_32", "two_by_32")
    header = (REFERENCE / "boards" / "strip16.h").read_text()
    large = tmp_path / "large.h"
    large.write_text(header.replace("STORE_BYTES 1240", "STORE_BYTES 1800"))
    with pytest.raises(BuildError, match="2 KB of RAM and this board needs more"):
        build_firmware(tmp_path / "large", f"../{relative(large)}")


def relative(header: Path) -> str:
    """A header's name as the Makefile takes it, from the boards' folder up."""
    return os.path.relpath(header.with_suffix(""), REFERENCE)


def test_flashing_asks_for_an_id(out: Path, firmware) -> None:
    firmware("strip16")
    done = subprocess.run(
        ["make", "-s", "flash", "BOARD=strip16", f"OUT={out / 'strip16'}"],
        cwd=REFERENCE,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "each board needs an id of its own: make flash BOARD_ID=" in done.stderr


def test_a_new_id_is_built_in(out: Path, emulator: Path, new_ear) -> None:
    where = out / "another_id"
    for board_id in ("4c42000000000001", "0123456789abcdef"):
        subprocess.run(
            ["make", "-s", "avr", f"OUT={where}", f"BOARD_ID={board_id}"],
            cwd=REFERENCE,
            capture_output=True,
            check=True,
        )
        with EmulatedBoard(emulator, where / "firmware.elf") as emulated:
            emulated.open_port()
            (hello,) = new_ear().hear(emulated.exchange(200_000)).hellos
        assert hello.board_id == board_id
