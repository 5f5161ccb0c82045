"""Boards that the fitter agreed to: once is enough, and an older file learns it."""

import gzip
from pathlib import Path

import pytest

from logger.collector.recording import BoardIdentity
from logger.errors import ProtocolError, StrangeBoardError, UsageError
from logger.session.logging.agreed import BoardGate, agreed_board, need_agreement
from logger.store.migrations import STEPS
from logger.store.store import Store

NORTH, SOUTH = "4c42000000000001", "C0:00:5E:00:53:10"
VECTORS = Path(__file__).parents[1] / "vectors" / "db"


def board(key=NORTH, name="north"):
    return BoardIdentity(key, "00000001", name, None)


def test_once_is_enough(store):
    store.agreed.add(NORTH, "north", at_utc_ns=1)
    store.agreed.add(SOUTH, "south", at_utc_ns=2)
    store.agreed.add(NORTH, "north bay", at_utc_ns=3)
    assert [(one.key, one.name, one.agreed_utc_ns) for one in store.agreed.all()] == [
        (NORTH, "north bay", 1),
        (SOUTH, "south", 2),
    ]
    assert store.agreed.forget(NORTH)
    assert not store.agreed.forget(NORTH)
    assert [one.key for one in store.agreed.all()] == [SOUTH]


def test_a_file_from_before_has_agreed_to_nothing(path):
    with Store.open(path, steps=STEPS[:2]):
        pass
    with Store.open(path) as store:
        assert store.agreed.all() == []
        store.agreed.add(NORTH, "north", at_utc_ns=1)
    with Store.open(path, read_only=True) as store:
        assert len(store.agreed.all()) == 1


def test_a_board_that_was_used_before_is_agreed_to(path):
    path.write_bytes(gzip.decompress((VECTORS / "schema-1.db.gz").read_bytes()))
    with Store.open(path) as store:
        # The other board of that file never sent anything.
        assert [one.key for one in store.agreed.all()] == ["0001020304050607"]
        assert len(store.boards.all()) == 2


def test_which_board_an_agreement_means(store):
    assert agreed_board(store, "/dev/ttyACM0") == ("/dev/ttyACM0", None)
    assert agreed_board(store, "ble://north") is None
    with pytest.raises(UsageError, match='lieboard boards --accept "north bay"'):
        need_agreement(store, "ble://north%20bay")
    store.agreed.add(NORTH, "north", at_utc_ns=1)
    store.agreed.add(SOUTH, "south", at_utc_ns=1)
    for url in ("ble://North", f"ble://{NORTH.upper()}"):
        assert agreed_board(store, url) == (f"ble://{NORTH}", NORTH)
    # A board that does not say its id is known by its address; who answers there is not known yet.
    assert need_agreement(store, f"ble://{SOUTH.lower()}") == (f"ble://{SOUTH}", None)
    # Two of one name: neither is meant for sure.
    store.agreed.add("4c42000000000002", "north", at_utc_ns=1)
    assert agreed_board(store, "ble://north") is None


@pytest.mark.parametrize(
    "url", ["/dev/ttyACM0", "COM3", "socket://10.0.0.7:4000", "rfc2217://10.0.0.7:4000"]
)
def test_a_strange_board_on_a_cable_is_named_and_left_alone(store, url):
    with pytest.raises(StrangeBoardError) as caught:
        BoardGate(store, url).let_in(board(), 1)
    assert str(caught.value) == (
        f"{url} is board {NORTH} (north), which was never used with this data file: nothing of it "
        f"was asked for or stored. If it is yours, run once: lieboard boards --accept {url}"
    )
    assert (caught.value.key, caught.value.name) == (NORTH, "north")
    assert store.agreed.all() == []
    # Known by its id, wherever it hangs.
    store.agreed.add(NORTH, "north", at_utc_ns=1)
    BoardGate(store, url).let_in(board(name="renamed"), 1)
    with pytest.raises(StrangeBoardError, match="text:mat_2"):
        BoardGate(store, url).let_in(board("text:mat_2"), 1)


def test_one_board_is_accepted_and_no_second(store):
    gate = BoardGate(store, "/dev/ttyACM0", accept=True)
    gate.let_in(board(), 7)
    assert [(one.key, one.agreed_utc_ns) for one in store.agreed.all()] == [(NORTH, 7)]
    gate.let_in(board(), 8)
    with pytest.raises(StrangeBoardError):
        gate.let_in(board("4c42000000000002"), 9)


def test_who_answers_first_at_an_agreed_address_is_the_board(store):
    store.agreed.add(SOUTH, "south", at_utc_ns=1)
    gate = BoardGate(store, f"ble://{SOUTH}")
    gate.let_in(board(), 2)
    gate.let_in(board(), 3)
    assert need_agreement(store, f"ble://{SOUTH}") == (f"ble://{SOUTH}", NORTH)
    # Somebody else's board that took the address.
    with pytest.raises(ProtocolError, match=f"not the agreed {NORTH}"):
        gate.let_in(board("4c42000000000002"), 4)
    # The same board on a cable.
    BoardGate(store, "/dev/ttyACM0").let_in(board(), 5)


def test_a_recording_that_somebody_chose_needs_no_agreement(store):
    BoardGate(store, "capture:swings.lbc").let_in(board(), 1)
    assert store.agreed.all() == []
