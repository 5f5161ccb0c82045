"""The sole as a line of text."""

import pytest

from logger.cli.log.screen import sole_line


def place(line: str, mark: str) -> int:
    inside = line[line.index("[") + 1 : line.index("]")]
    return inside.index(mark)


@pytest.mark.parametrize(("mm", "column"), [(-40, 0), (0, 20), (40, 40), (20, 30)])
def test_a_strike_stands_where_it_was(mm, column):
    assert place(sole_line([mm], plain=True), "o") == column


def test_beyond_the_sole_is_an_arrow_at_its_end():
    assert place(sole_line([55], plain=True), ">") == 40
    assert place(sole_line([-55], plain=True), "<") == 0


def test_a_left_hander_sees_the_toe_on_the_left():
    line = sole_line([30, 90], plain=True, toe_on_right=False)
    assert line.startswith("toe [<")
    assert place(line, "o") == 5


def test_mean_over_interval_over_rail():
    line = sole_line([], plain=True, mean_mm=10, interval_mm=(0, 20))
    assert line == "heel [--------------------=====#=====----------] toe"
