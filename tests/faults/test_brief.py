"""A few of each fault of ``tests/benchmarks/faults.py``, on real processes."""

import random

import faults
import pytest

MAKES_NO_DIFFERENCE = {"lost": 0, "doubled": 0, "invented": 0, "wrong": []}


def holds(found):
    return {key: found[key] for key in MAKES_NO_DIFFERENCE} == MAKES_NO_DIFFERENCE


def test_kill_9_at_any_moment(tmp_path):
    found = faults.kills(tmp_path, 2, random.Random(1))
    assert holds(found), found


def test_lines_that_close_in_the_middle_of_a_frame(tmp_path):
    found = faults.drops(tmp_path, 5, random.Random(2))
    assert holds(found), found


def test_resets_and_a_supply_that_sags(tmp_path):
    found = faults.resets(tmp_path, 6, random.Random(3))
    assert holds(found), found


def test_two_boards_on_bad_lines_and_everything_at_random(tmp_path):
    # With this seed each kind of fault comes once.
    found = faults.mixed(tmp_path, 6, random.Random(19))
    assert holds(found), found


def test_two_loggers_on_one_file(tmp_path):
    found = faults.two_loggers(tmp_path, 2.0)
    assert holds(found), found
    assert found["records"] > 20


@pytest.mark.parametrize(
    ("way", "says"),
    [
        ("locked", "another program is writing to it"),
        ("file too large", "what was stored before is safe"),
    ],
)
def test_a_file_that_refuses_ends_logging_and_the_board_keeps_the_rest(tmp_path, way, says):
    found = faults.refused(tmp_path, way, rate_hz=25.0, burst=4000)
    assert holds(found), found
    assert says in found["said"]
