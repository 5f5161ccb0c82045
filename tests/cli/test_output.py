"""Who writes must not wait for who reads."""

from __future__ import annotations

import os
import threading
import time

import pytest

from logger.cli.terminal.output import SteadyOutput


@pytest.fixture
def pipe():
    """The two ends of a real pipe."""
    reading, writing = os.pipe()
    reader, writer = open(reading, encoding="utf-8"), open(writing, "w", encoding="utf-8")  # noqa: PTH123, SIM115
    yield reader, writer
    reader.close()
    writer.close()


def test_a_reader_that_waits_gets_all_in_order(pipe):
    reader, writer = pipe
    got: list[str] = []
    taking = threading.Thread(target=lambda: got.extend(reader))
    steady = SteadyOutput(writer)
    lines = [f"line {i} " + "x" * 200 for i in range(2000)]
    for line in lines:
        steady.line(line)
    # A pipe holds 64 KiB: nobody has read and all is handed over.
    assert steady.behind > 0
    taking.start()
    steady.close()
    writer.close()
    taking.join(30)
    assert [line.rstrip("\n") for line in got] == lines


def test_a_reader_that_never_reads_costs_a_moment_at_the_end(pipe):
    _, writer = pipe
    steady = SteadyOutput(writer)
    for _ in range(5100):
        steady.line("x" * 300)
    begun = time.monotonic()
    steady.close()
    assert time.monotonic() - begun < 60
    assert steady.closed


def test_what_had_no_place_is_counted(pipe):
    reader, writer = pipe
    steady = SteadyOutput(writer)
    # A pipe holds 64 KiB: the first of these keeps the others waiting.
    steady.line("x" * 200_000)
    for i in range(5_010):
        steady.line(str(i))
    got: list[str] = []
    taking = threading.Thread(target=lambda: got.extend(reader))
    taking.start()
    while steady.behind:
        time.sleep(0.01)
    steady.line("last")
    steady.close()
    writer.close()
    taking.join(30)
    lines = [line.rstrip("\n") for line in got[1:]]
    shown = len(lines) - 2
    assert lines[:shown] == [str(i) for i in range(shown)]
    assert lines[shown:] == [f"({5_010 - shown} lines were not taken and are not shown)", "last"]


def test_a_reader_that_went_is_told_to_the_next_who_writes(pipe):
    reader, writer = pipe
    steady = SteadyOutput(writer)
    reader.close()
    steady.line("into nothing")
    while steady.behind:
        time.sleep(0.01)
    with pytest.raises(BrokenPipeError):
        steady.line("again")
    steady.close()
