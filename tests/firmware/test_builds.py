"""Building: what is missing is said in one line, every board compiles, ids are not forgotten."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from simulators.core_board import REFERENCE, BuildError, CoreBoard, build_library
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
