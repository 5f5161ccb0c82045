"""The first-light sketch compiles for its chip, is short, and its lines say what pressed."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from logger.protocol.records import Flag, Reading
from logger.protocol.text_form import BadLine, parse_line

REPOSITORY = Path(__file__).parents[2]
SKETCH = REPOSITORY / "firmware_notes" / "sketches" / "first_light.ino"
STUB = Path(__file__).parent / "sketch"
STRICT = ("-Wall", "-Wextra", "-Werror", "-x", "c++", "-include", str(STUB / "core_stub.h"))
MIDDLES_MM = (np.arange(16) - 7.5) * 7.0


def compiler(name: str) -> str:
    found = shutil.which(name)
    assert found, f"{name} is not installed: apt-get install gcc g++ gcc-avr avr-libc"
    return found


def test_it_is_short():
    assert len(SKETCH.read_text().splitlines()) < 40


def test_it_compiles_for_its_chip_without_a_warning(tmp_path):
    made = tmp_path / "sketch.o"
    subprocess.run(
        [compiler("avr-gcc"), "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", *STRICT, "-c",
         str(SKETCH), "-o", str(made)],
        check=True,
    )  # fmt: skip
    sizes = subprocess.run(
        [compiler("avr-size"), str(made)], capture_output=True, text=True, check=True
    ).stdout.split()
    text, data, bss = (int(size) for size in sizes[6:9])
    # Beside a core that takes some 2 KB of flash, a half of each is ample.
    assert text + data < 16_384
    assert data + bss < 1_024


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("sketch") / "first_light"
    subprocess.run(
        [compiler("g++"), *STRICT, str(SKETCH), "-x", "c++", f"-I{STUB}",
         str(STUB / "host_main.cpp"), "-o", str(out)],
        check=True,
    )  # fmt: skip
    return out


def lines_of(program: Path, counts: np.ndarray, step_us: float) -> list[bytes]:
    text = f"{len(counts)} {step_us}\n" + "\n".join(" ".join(f"{v:.1f}" for v in r) for r in counts)
    done = subprocess.run([program], input=text.encode(), capture_output=True, check=True)
    assert not done.stdout or done.stdout.endswith(b"\r\n")
    return done.stdout.split(b"\r\n")[:-1]


def test_each_contact_is_one_line_that_says_where(program):
    rng = np.random.default_rng(3)
    rest = rng.uniform(20, 60, 16)
    places_mm = (-31.0, 4.5, 28.0)
    # Steps of 0.5 ms. A slow press of 20 ms, 36 mm wide: a parabola in place, half a sine in time.
    steps = np.arange(2000)
    counts = np.tile(rest, (2000, 1)) + rng.normal(0, 1.0, (2000, 16))
    begins = (400, 900, 1400)
    for begin, place_mm in zip(begins, places_mm, strict=True):
        wave = np.where((steps >= begin) & (steps <= begin + 40), 1.0, 0.0)
        wave *= np.sin(np.pi * np.clip((steps - begin) / 40, 0, 1))
        shape = 600 * np.maximum(1 - ((MIDDLES_MM - place_mm) / 18) ** 2, 0)
        counts += wave[:, None] * shape
    readings = [parse_line(line) for line in lines_of(program, counts, 500.0)]
    assert all(isinstance(r, Reading) for r in readings), readings
    assert [r.sequence for r in readings] == [0, 1, 2]
    assert [r.board_mm for r in readings] == pytest.approx(places_mm, abs=1.0)
    # Whole contact: it sums up, ticks are those of its heaviest moment, and it has no checksum.
    for reading, begin in zip(readings, begins, strict=True):
        assert reading.flags == Flag.SUMS_UP | Flag.NO_CHECKSUM
        assert reading.ticks == pytest.approx((begin + 20) * 500, abs=1500)
        assert reading.span_ticks == pytest.approx(20_000, rel=0.15)
        assert reading.pressure_counts == pytest.approx(
            600 * np.maximum(1 - ((MIDDLES_MM - reading.board_mm) / 18) ** 2, 0).sum(), rel=0.1
        )


def test_a_strike_is_seen_by_one_scan_or_two(program):
    counts = np.full((4000, 16), 40.0)
    rng = np.random.default_rng(5)
    # Steps of 50 us; 0.8 ms over the strip, as of a sole of 20 mm and a row of 8 mm at 35 m/s.
    begins = 400 + 230 * np.arange(15) + rng.integers(0, 20, 15)
    for begin in begins:
        wave = np.sin(np.pi * np.linspace(0, 1, 17))[:, None]
        counts[begin : begin + 17] += wave * 600 * np.maximum(1 - (MIDDLES_MM / 30) ** 2, 0)
    readings = [parse_line(line) for line in lines_of(program, counts, 50.0)]
    assert not any(isinstance(r, BadLine) for r in readings)
    assert len(readings) == 15
    # Cells are read one after the other while the load comes and goes: places lean by millimetres.
    assert max(abs(r.board_mm) for r in readings) < 25
    assert np.median([r.board_mm for r in readings]) == pytest.approx(0.0, abs=8.0)


def test_nothing_pressed_says_nothing(program):
    rng = np.random.default_rng(4)
    assert lines_of(program, 40 + rng.normal(0, 2.0, (2000, 16)), 500.0) == []
