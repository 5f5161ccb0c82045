"""Bay and shop without a network: whatever gets lost, comes twice, late or in another order.

MQTT 5.0 (OASIS, 2019), section 4.3.2, QoS 1: at least once, so the same message may come again;
what is here called the line may do worse, since broker and programs may also be killed.
"""

import random
import zlib

import pytest

from logger.errors import StoreError
from logger.shop.bay import BayQueue
from logger.shop.checks import BadMessageError
from logger.shop.gather import Gatherer
from logger.shop.messages import (
    MAX_COPY_BYTES,
    MAX_PAYLOAD_BYTES,
    Here,
    Kept,
    Refused,
    answer,
    ask,
    bay_of,
    read_from_bay,
    read_from_shop,
    session_copy,
    session_pieces,
    topic,
)
from logger.store.store import Store


def carry_over(queue, gatherer, bay="bay-1"):
    """Send everything over a line that works; return how many parcels."""
    sent = 0
    while (parcel := queue.next_parcel(utc_ms=1)) is not None:
        for payload in parcel.payloads:
            assert len(payload) <= MAX_PAYLOAD_BYTES
            said = gatherer.take(bay, payload)
        assert said == Kept(parcel.message)
        parcel.kept()
        sent += 1
    return sent


def test_the_shop_has_what_the_bay_has(bay, queue, gatherer, shop_store, facts_of):
    carry_over(queue, gatherer)
    assert facts_of(shop_store) == facts_of(bay.store)
    assert gatherer.done.records == 30
    origins = {(s.shop, s.bay) for s in shop_store.copies.stamps()}
    assert origins == {("north", "bay-1")}
    left = bay.store.forwarding.progress("north")
    assert (left.records_to_go, left.sessions_to_go) == (0, 0)
    assert carry_over(queue, gatherer) == 0


def test_late_words_and_more_strikes_get_through(bay, queue, gatherer, shop_store, facts_of):
    carry_over(queue, gatherer)
    first = bay.store.copies.stamps()[0].session
    bay.store.strikes.set_aside(bay.store.strikes.contacts(first)[4], "heard it ring")
    # Only what changed is sent: one session, no record.
    assert carry_over(queue, gatherer) == 1
    bay.begin(bay.store.sets.find("Bo Sanna"), 2_000_000_000 * 10**9, whole_scans=False)
    # Nothing was struck yet, and the session may still be removed: nothing to send.
    assert carry_over(queue, gatherer) == 0
    bay.swing("7i", 2)
    assert carry_over(queue, gatherer) == 2
    assert facts_of(shop_store) == facts_of(bay.store)


class BadLine:
    """Loses, doubles, delays and reorders in both directions; drawn from a seed."""

    def __init__(self, seed):
        self.draw = random.Random(seed)
        self._late = []

    def over(self, payload):
        """Give what arrives now for one payload that is sent."""
        arrives = [] if self.draw.random() < 0.3 else [payload] * self.draw.choice((1, 1, 2))
        if self.draw.random() < 0.3:
            self._late.append(payload)
        if self._late and self.draw.random() < 0.4:
            arrives.append(self._late.pop(self.draw.randrange(len(self._late))))
        self.draw.shuffle(arrives)
        return arrives


@pytest.mark.parametrize("seed", range(4))
def test_over_a_bad_line_with_restarts_nothing_is_lost_or_twice(
    bay, shop_path, facts_of, seed, monkeypatch
):
    # Many small payloads, so that there is something to put out of order.
    monkeypatch.setattr("logger.shop.bay.MAX_RECORDS", 7)
    monkeypatch.setattr("logger.shop.messages._PIECE_BYTES", 700)
    there, back = BadLine(seed), BadLine(seed + 100)
    draw = random.Random(seed + 200)
    shop_store = Store.open(shop_path)
    gatherer = Gatherer(shop_store, "north", "file one")
    queue, number = BayQueue(bay.store, "north", 0), 0
    queue.begin("file one")
    changes = iter(bay.store.strikes.contacts(1, source="board")[2:8])
    for _ in range(3000):
        if draw.random() < 0.02:
            # The shop is killed: what was not committed is gone, and so are pieces of copies.
            shop_store.close()
            shop_store = Store.open(shop_path)
            gatherer = Gatherer(shop_store, "north", "other file")
        if draw.random() < 0.02:
            # The bay is killed.
            number += 1_000_000
            queue = BayQueue(bay.store, "north", number)
            queue.begin("file one")
        if draw.random() < 0.02 and (contact := next(changes, None)) is not None:
            bay.store.strikes.set_aside(contact, "thin")
        parcel = queue.next_parcel(utc_ms=1)
        if parcel is None:
            if next(changes, None) is None:
                break
            continue
        for _ in range(40):
            said = [
                answer(one)
                for payload in parcel.payloads
                for arrived in there.over(payload)
                if (one := gatherer.take("bay-1", arrived)) is not None
            ]
            heard = [read_from_shop(a) for one in said for a in back.over(one)]
            mine = [one for one in heard if one.message == parcel.message]
            if mine:
                break
        if mine and isinstance(mine[0], Kept):
            parcel.kept()
        elif mine and mine[0].missing is not None:
            queue.missing(mine[0].missing)
        else:
            # No answer for long: looked at again, as after a lost connection.
            queue.begin("file one")
    else:
        pytest.fail("the bay never came to an end")
    assert facts_of(shop_store) == facts_of(bay.store)
    assert shop_store.file.number("SELECT COUNT(*) FROM clashes") == 0
    shop_store.close()


def test_parcels_in_any_order_and_twice(everything, gatherer, shop_store, bay, facts_of):
    payloads = [p for parcel in everything for p in parcel.payloads]
    for payload in reversed(payloads):
        said = gatherer.take("bay-1", payload)
        # Records of sessions that are not there yet are not taken, and not said to be.
        assert isinstance(said, Kept) or said.missing is not None
    for payload in payloads:
        assert isinstance(gatherer.take("bay-1", payload), Kept)
    assert facts_of(shop_store) == facts_of(bay.store)


def test_a_record_of_a_session_that_is_not_here_brings_the_session(
    bay, queue, gatherer, shop_store, facts_of
):
    carry_over(queue, gatherer)
    bay.begin(bay.store.sets.find("Bo Sanna"), 2_000_000_000 * 10**9, whole_scans=False)
    bay.swing("7i", 2)
    assert queue.next_parcel(utc_ms=1).session == 4
    # The bay takes it for kept and it is not: a backup of the shop's file was put back.
    bay.store.forwarding.note_session("north", 4, bay.store.copies.make(4)[1])
    parcel = queue.next_parcel(utc_ms=1)
    said = gatherer.take("bay-1", parcel.payloads[0])
    assert said.missing == bay.store.copies.name_of(4)
    queue.missing(said.missing)
    carry_over(queue, gatherer)
    assert facts_of(shop_store) == facts_of(bay.store)


def test_another_file_of_the_shop_gets_everything_anew(bay, queue, gatherer, tmp_path, facts_of):
    carry_over(queue, gatherer)
    assert queue.begin("file one") is False
    with Store.open(tmp_path / "new.db") as new:
        other = Gatherer(new, "north", "file two")
        said = other.take("bay-1", ask(5))
        assert said == Here(5, "file two")
        assert queue.begin(said.file) is True
        carry_over(queue, other)
        assert facts_of(new) == facts_of(bay.store)
        # The key is the file's from then on.
        assert Gatherer(new, "north", "file three").take("bay-1", ask(6)) == Here(6, "file two")


def test_sent_anew_when_asked_nothing_is_twice(bay, queue, gatherer, shop_store, facts_of):
    carry_over(queue, gatherer)
    queue.send_anew()
    assert carry_over(queue, gatherer) > 0
    assert facts_of(shop_store) == facts_of(bay.store)


def test_two_bays_in_one_shop(bay, queue, gatherer, shop_store, bay_at, tmp_path, start_ns, day_ns):
    carry_over(queue, gatherer)
    second = bay_at(tmp_path / "second.db", seed=2)
    second.begin(second.player("Ada Lindqvist"), start_ns + 5 * day_ns)
    second.swing("7i", 2)
    own = BayQueue(second.store, "north", 1)
    own.begin("file one")
    carry_over(own, gatherer, "bay-2")
    # One player, who swung in both bays.
    assert [p.name for p in shop_store.sets.players()] == ["Ada Lindqvist", "Bo Sanna"]
    assert [s.bay for s in shop_store.copies.stamps()] == ["bay-1"] * 3 + ["bay-2"]


def test_a_full_disk_at_the_shop_confirms_nothing(everything, gatherer, shop_store):
    *sessions, records = [p for parcel in everything for p in parcel.payloads]
    for payload in sessions:
        gatherer.take("bay-1", payload)
    pages = shop_store.file.one("PRAGMA page_count")[0]
    shop_store.file.one(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreError, match="disk is full"):
        gatherer.take("bay-1", records)
    assert list(shop_store.records.read()) == []
    shop_store.file.one("PRAGMA max_page_count = 1000000")
    assert isinstance(gatherer.take("bay-1", records), Kept)
    assert len(list(shop_store.records.read())) == 30


def test_long_queues_go_in_payloads_that_fit(bay_at, tmp_path, start_ns, gatherer, shop_store):
    bay = bay_at(tmp_path / "long.db", seed=3)
    bay.begin(bay.player("Ada Lindqvist"), start_ns)
    bay.swing("7i", 1)
    # The same record over and over, as big as a strike can be: 32 parts of 508 bytes.
    raw = b"".join(bytes(2) + bytes(508) for _ in range(32))
    with bay.store.file.writing() as connection:
        connection.executemany(
            "INSERT INTO records (boot, sequence, kind, raw, flags, arrival_ns, session)"
            " VALUES (1, ?, 'strike', ?, 0, 0, 1)",
            [(n, raw) for n in range(1, 40)],
        )
    queue = BayQueue(bay.store, "north", 1)
    queue.begin("f")
    sizes = []
    while (parcel := queue.next_parcel(utc_ms=1)) is not None:
        sizes += [len(p) for p in parcel.payloads]
        for payload in parcel.payloads:
            read_from_bay(payload)
        parcel.kept()
    assert max(sizes) <= MAX_PAYLOAD_BYTES
    assert len(sizes) > 5


def test_a_copy_in_pieces_is_the_copy(bay):
    copy, _ = bay.store.copies.make(1)
    copy["notes"] = [{"text": random.Random(n).randbytes(900).hex(), "written_utc_ns": n}
                     for n in range(300)]  # fmt: skip
    pieces = [read_from_bay(p) for p in session_pieces(7, 9, copy)]
    assert [(p.part, p.parts, p.edition) for p in pieces] == [(n, 3, 9) for n in range(3)]
    assert session_copy(b"".join(p.content for p in pieces)) == copy


def test_a_small_payload_that_would_become_huge_is_refused():
    with pytest.raises(BadMessageError, match="too big"):
        session_copy(zlib.compress(bytes(MAX_COPY_BYTES + 1), 1))


def test_topics():
    assert topic("north", "bay-1", "sent") == "lieboard/1/north/bay-1/sent"
    assert bay_of("lieboard/1/north/bay-1/sent") == "bay-1"
    for strange in ("lieboard/2/north/bay-1/sent", "lieboard/1/north/a b/sent", "x"):
        assert bay_of(strange) is None


def test_an_answer_to_nothing_known_is_refused_by_name(gatherer):
    said = gatherer.take("bay-1", ask(5).replace(b'"ask"', b'"sing"'))
    assert said == Refused(5, "kind 'sing' is not known: update the shop's program")
