"""Strikes worked out again from what is stored: the same strikes, and nobody's word lost."""

from logger.session.corrections.acts import Said
from logger.session.corrections.strikes import turn_strike
from simulators import encode

NEXT, BACK = 1, 2


def test_a_take_back_that_comes_late_takes_back_its_own_strike(desk):
    """Behind a hole that held the strike and the press: both come after what followed them."""
    boot = desk.boot()
    desk.take(boot, desk.strike(0, 1.0))
    desk.take(boot, desk.strike(3, 9.0))
    desk.take(boot, desk.strike(1, 5.0), desk.button(2, 7.0, BACK))
    assert desk.used() == [("7i", 0), ("7i", 3)]


def test_a_press_that_was_stored_and_not_filed_takes_back_its_own_strike(desk):
    boot = desk.boot()
    desk.take(boot, desk.strike(0, 1.0))
    desk.session.store_records(boot, [desk.strike(1, 5.0), desk.button(2, 7.0, BACK)])
    desk.again()
    assert desk.used() == [("7i", 0)]


def test_presses_and_strikes_stored_and_not_filed_go_to_their_clubs(desk):
    boot = desk.boot()
    desk.session.store_records(
        boot,
        [
            desk.strike(0, 1.0),
            desk.button(1, 2.0, NEXT),
            desk.strike(2, 3.0),
            desk.button(3, 4.0, BACK),
            desk.strike(4, 5.0),
        ],
    )
    desk.again()
    assert desk.used() == [("7i", 0), ("6i", 4)]


def test_a_strike_brought_in_after_the_foot_switch_took_it_back_stays_in(desk):
    boot = desk.boot()
    desk.take(boot, desk.strike(0, 1.0), desk.strike(1, 5.0), desk.button(2, 7.0, BACK))
    taken = next(c for c in desk.contacts() if not c.used)
    turn_strike(desk.store, taken, Said(1, "log"), aside=False)
    desk.again()
    assert desk.used() == [("7i", 0), ("7i", 1)]


def test_the_fitters_word_on_an_open_contact_outlives_a_restart(desk, at_ns):
    """The last contact of a board that sends readings is over only when the line stays quiet."""
    boot = desk.boot()
    desk.take(boot, desk.reading(0, 1.0, flags=encode.BEGINS), desk.reading(1, 1.001))
    desk.session.idle(at_ns(30.0))
    (contact,) = desk.contacts()
    turn_strike(desk.store, contact, Said(1, "log"), aside=True, reason="hit a stone")
    again = desk.again()
    again.idle(at_ns(130.0))
    (kept,) = desk.contacts()
    assert kept.reason == "hit a stone"
    assert not kept.used


def test_what_waited_behind_a_hole_when_the_line_dropped_is_filed_later(desk):
    """Records beyond a hole are on disk; a new connection brings what was missing."""
    boot = desk.boot()
    desk.take(boot, desk.strike(0, 1.0))
    desk.session.store_records(boot, [desk.strike(2, 5.0), desk.strike(3, 9.0)])
    known = desk.greet()
    assert (known.next_expected, known.stored_beyond) == (1, frozenset({2, 3}))
    desk.session.catch_up()
    desk.take(boot, desk.strike(1, 3.0))
    assert desk.used() == [("7i", n) for n in range(4)]


def test_nothing_is_worked_out_again_when_all_is_filed(desk):
    boot = desk.boot()
    desk.take(boot, desk.strike(0, 1.0), desk.button(1, 2.0, NEXT), desk.strike(2, 3.0))
    assert desk.session.catch_up() == []


def test_two_starts_of_a_board_keep_their_strikes_apart(desk):
    first = desk.boot("00000007")
    desk.take(first, desk.strike(0, 1.0), desk.strike(1, 5.0))
    second = desk.boot("00000008")
    desk.take(second, desk.strike(0, 20.0), desk.button(1, 22.0, BACK), desk.strike(2, 30.0))
    desk.again()
    assert [(c.boot, c.first_sequence) for c in desk.contacts() if c.used] == [
        (first, 0), (first, 1), (second, 2),
    ]  # fmt: skip


def test_later_starts_under_one_boot_id_are_counted(desk):
    assert desk.greet("00000007").later_starts == 0
    desk.greet("00000007~1")
    desk.greet("00000007~2")
    desk.greet("00000008")
    assert desk.greet("00000007").later_starts == 2
    assert desk.greet("00000008").later_starts == 0
