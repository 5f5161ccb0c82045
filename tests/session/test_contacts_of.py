"""Records of one boot -> contacts: what a quiet line, a radio or a faulty board makes of them."""

import pytest

from logger.session.corrections.acts import Said
from logger.session.corrections.strikes import turn_strike
from logger.session.evidence.evidence import session_evidence
from simulators import encode


@pytest.mark.parametrize("cut", [1, 2, 3])
def test_readings_of_one_contact_are_one_strike_however_late_they_come(desk, at_ns, cut):
    """A radio hands on what it held back in bursts; meanwhile the line looks quiet."""
    readings = [
        desk.reading(n, 1.0 + 0.001 * n, board_mm=4.0 + n, flags=encode.BEGINS if n == 0 else 0)
        for n in range(4)
    ]
    boot = desk.boot()
    desk.take(boot, *readings[:cut])
    desk.session.idle(at_ns(1.4))
    desk.session.idle(at_ns(9.0))
    desk.take(boot, *readings[cut:])
    desk.session.idle(at_ns(20.0))
    assert [(c.first_sequence, c.last_sequence, c.board_mm) for c in desk.contacts()] == [
        (0, 3, 5.5)
    ]


def test_a_quiet_line_ends_a_contact_soon_whatever_the_boards_counter_says(desk, at_ns):
    boot = desk.boot()
    desk.take(boot, desk.reading(0, 1.0, flags=encode.BEGINS), desk.reading(1, 1.001))
    assert desk.session.idle(at_ns(1.01)) == []
    assert len(desk.session.idle(at_ns(3.0))) == 1


@pytest.mark.parametrize("ticks", [[5, 4, 3, 2, 1, 0, 0, 0], [9] * 8], ids=["back", "same"])
def test_scans_whose_times_do_not_go_up_are_kept_and_set_aside(desk, ticks):
    """A fault of the board's program; the whole frame is sound and would come again and again."""
    boot = desk.boot()
    desk.take(boot, desk.strike(0, 1.0), desk.strike(1, 2.0, scan_ticks=ticks), desk.strike(2, 5.0))
    assert desk.used() == [("7i", 0), ("7i", 2)]
    bad = desk.contacts()[1]
    assert bad.kind == "unreadable"
    assert bad.reason == "its scan times do not go up"
    desk.again()
    assert desk.used() == [("7i", 0), ("7i", 2)]


def test_scans_of_another_shape_than_the_board_said_are_kept_and_set_aside(desk):
    boot = desk.boot()
    desk.take(boot, desk.strike(0, 1.0), desk.strike(1, 5.0, cells=12), desk.strike(2, 9.0))
    assert desk.used() == [("7i", 0), ("7i", 2)]
    assert (
        desk.contacts()[1].reason == "has 1 row of 12 cells, where the board said 1 row of 16 cells"
    )
    # What a fitter brings in all the same has no place, and stops nobody's table.
    turn_strike(desk.store, desk.contacts()[1], Said(1, "log"), aside=False)
    used = {one.club.label: one.used for one in session_evidence(desk.store, desk.session.row)}
    assert used == {"6i": 0, "7i": 2, "8i": 0}
