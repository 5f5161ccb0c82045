"""Boards on the air that the fitter agreed to: once is enough, and an older file learns it."""

import pytest

from logger.errors import UsageError
from logger.session.agreed import agreed_board, need_agreement
from logger.store.migrations import STEPS
from logger.store.store import Store

NORTH, SOUTH = "4c42000000000001", "C0:00:5E:00:53:10"


def test_once_is_enough(store):
    store.agree_to_board(NORTH, "north", at_utc_ns=1)
    store.agree_to_board(SOUTH, "south", at_utc_ns=2)
    store.agree_to_board(NORTH, "north bay", at_utc_ns=3)
    assert [(one.key, one.name, one.agreed_utc_ns) for one in store.agreed_boards()] == [
        (NORTH, "north bay", 1),
        (SOUTH, "south", 2),
    ]


def test_a_file_from_before_has_agreed_to_nothing(path):
    with Store.open(path, steps=STEPS[:2]):
        pass
    with Store.open(path) as store:
        assert store.agreed_boards() == []
        store.agree_to_board(NORTH, "north", at_utc_ns=1)
    with Store.open(path, read_only=True) as store:
        assert len(store.agreed_boards()) == 1


def test_which_board_an_agreement_means(store):
    assert agreed_board(store, "/dev/ttyACM0") == ("/dev/ttyACM0", None)
    assert agreed_board(store, "ble://north") is None
    with pytest.raises(UsageError, match='lieboard boards --accept "north bay"'):
        need_agreement(store, "ble://north%20bay")
    store.agree_to_board(NORTH, "north", at_utc_ns=1)
    store.agree_to_board(SOUTH, "south", at_utc_ns=1)
    for url in ("ble://North", f"ble://{NORTH.upper()}"):
        assert agreed_board(store, url) == (f"ble://{NORTH}", NORTH)
    # A board that does not say its id is known by its address; who answers there is not checked.
    assert need_agreement(store, f"ble://{SOUTH.lower()}") == (f"ble://{SOUTH}", None)
    # Two of one name: neither is meant for sure.
    store.agree_to_board("4c42000000000002", "north", at_utc_ns=1)
    assert agreed_board(store, "ble://north") is None
