"""What comes from outside is never trusted: bent payloads change nothing and break nothing."""

import base64
import copy
import json
import random
import zlib

import pytest

from logger.errors import UsageError
from logger.shop.broker import broker_at
from logger.shop.checks import BadMessageError
from logger.shop.messages import Kept, Refused, read_from_bay, read_from_shop, session_copy


def opened(payload):
    return json.loads(payload)


def closed(whole):
    return json.dumps(whole).encode()


@pytest.fixture
def session(everything):
    """First copy of a session, as a payload and as what is in it."""
    whole = opened(everything[0].payloads[0])
    return whole, json.loads(zlib.decompress(base64.b64decode(whole["content"])))


@pytest.fixture
def records(everything):
    return opened(everything[-1].payloads[0])


def packed(whole, inner):
    content = base64.b64encode(zlib.compress(json.dumps(inner).encode())).decode()
    return closed({**whole, "content": content})


def no_cells(boot):
    boot["hello"] = boot["hello"].replace('"cells": 28', '"cells": 0')


BENT_COPIES = [
    (lambda c: c.pop("turns"), "turns is not a list"),
    (lambda c: c["player"].append(c["player"][0]), "player is not one row"),
    (lambda c: c["player"][0].update(name=7), "player.name is not a text"),
    (lambda c: c["player"][0].update(name="x" * 3000), "player.name is not a text of at most"),
    (lambda c: c["player"][0].update(name="a\0b"), "has a NUL"),
    (lambda c: c["player"][0].update(name="\ud800"), "has signs that are none"),
    (lambda c: c["player"][0].update(hand="both"), "player.hand is none of right, left"),
    (lambda c: c["session"][0].update(ball=True), "session.ball is none of 0, 1"),
    (lambda c: c["session"][0].update(stance_mm="3"), "session.stance_mm is not a number"),
    (lambda c: c["session"][0].update(stance_mm=10**400), "not a number that can be"),
    (lambda c: c["session"][0].update(started_utc_ns=2**63), "started_utc_ns is not a whole"),
    (lambda c: c["session"][0].update(started_utc_ns=1.5), "started_utc_ns is not a whole"),
    (lambda c: c["strikes"][0].update(struck_utc_ns=None), "strikes.struck_utc_ns is missing"),
    (lambda c: c["strikes"][0].update(club="9i"), "names club 9i"),
    (lambda c: c["strikes"][0].update(boot="ffffffff"), "names boot ffffffff"),
    (lambda c: c["strikes"][0].update(fitter_choice="maybe"), "fitter_choice is none of"),
    (lambda c: c["marks"][0].update(audits_first_sequence=999), "names strike 999"),
    (lambda c: c["boots"][0].update(hello="{"), "boots.hello: it is not JSON"),
    (lambda c: c["boots"][0].update(hello="[" * 100_000), "boots.hello: it is not a short text"),
    (lambda c: c["boots"][0].update(hello="{}"), "has not the fields of a hello"),
    (lambda c: no_cells(c["boots"][0]), "boots.hello: cells is 0, must be 1 to 64"),
    (lambda c: c["turns"].append("7i"), "a row of turns is not an object"),
]  # fmt: skip


def test_a_bent_copy_is_refused_and_nothing_is_stored(gatherer, shop_store, session):
    whole, inner = session
    for bend, reason in BENT_COPIES:
        one = copy.deepcopy(inner)
        bend(one)
        said = gatherer.take("bay-1", packed(whole, one))
        assert isinstance(said, Refused), reason
        assert reason in said.reason
        stored = (shop_store.sets.players(), shop_store.sessions.all(), shop_store.boards.all())
        assert stored == ([], [], []), reason
    assert isinstance(gatherer.take("bay-1", packed(whole, inner)), Kept)


def bend_record(place, value):
    def bend(whole):
        whole["records"][0][place] = value

    return bend


BENT_RECORDS = [
    (bend_record(0, 1000), "boot is not a whole number"),
    (bend_record(1, -1), "session is not a whole number"),
    (bend_record(2, 2**32), "sequence is not a whole number"),
    (bend_record(2, 5), "its bytes say 0"),
    (bend_record(3, "button"), "is no button"),
    (bend_record(3, "feast"), "is no feast"),
    (bend_record(4, 2**20), "flags is not a whole number"),
    (bend_record(6, "now"), "struck_utc_ns is not a whole number"),
    (bend_record(8, "!!!"), "not base64"),
    (bend_record(8, "AAAA" * 6000), "is not a text of at most"),
    (bend_record(8, "BQA="), "ends in the middle"),
    (bend_record(8, ""), "no bytes were kept"),
    (lambda w: w.update(records="all"), "records is not a list"),
    (lambda w: w.update(records=[[1]] * 501), "records is not a list of at most 500"),
    (lambda w: w.update(boots=[]), "boot is not a whole number"),
    (lambda w: w.update(records=[[1]]), "not a list of nine"),
    (lambda w: w.update(schema="lieboard shop 2"), "this program knows 'lieboard shop 1'"),
]  # fmt: skip


def test_a_bent_record_is_refused_with_all_that_came_with_it(
    gatherer, shop_store, everything, records
):
    for parcel in everything[:-1]:
        gatherer.take("bay-1", parcel.payloads[0])
    for bend, reason in BENT_RECORDS:
        one = copy.deepcopy(records)
        bend(one)
        said = gatherer.take("bay-1", closed(one))
        assert isinstance(said, Refused), reason
        assert reason in said.reason
        assert list(shop_store.records.read()) == [], reason
    assert isinstance(gatherer.take("bay-1", closed(records)), Kept)


def test_what_is_no_message_is_not_answered(gatherer):
    for payload in (
        b"", b"{", b"\xff\xfe", b"7", b"[]", b"{}", b'{"message": true}', b'{"message": -1}',
        b'{"message": NaN}', b"[" * 100_000, b'{"message": 1e400}', b" " * 300_000,
    ):  # fmt: skip
        assert gatherer.take("bay-1", payload) is None
        with pytest.raises(BadMessageError):
            read_from_shop(payload)


def test_a_bay_cannot_put_records_into_a_session_of_another(gatherer, everything, shop_store):
    for parcel in everything[:-1]:
        gatherer.take("bay-1", parcel.payloads[0])
    said = gatherer.take("bay-2", everything[-1].payloads[0])
    assert "is not one of this bay" in said.reason
    assert list(shop_store.records.read()) == []


def test_pieces_of_different_copies_under_one_number(gatherer, session):
    whole, _ = session
    assert gatherer.take("bay-1", closed({**whole, "parts": 2})) is None
    said = gatherer.take("bay-1", closed({**whole, "parts": 3, "part": 1}))
    assert "different copies" in said.reason


def test_pieces_that_never_become_whole_do_not_fill_the_memory(gatherer, session):
    whole, _ = session
    for number in range(500):
        gatherer.take("bay-1", closed({**whole, "message": number, "parts": 64}))
    assert len(gatherer._unfinished) <= 64


ODD = [None, True, 0, -1, 2**70, 1.5, "", "x" * 5000, [], {}, [[]], {"a": 1}, "\ud800", "0"]


def leaves(value, path=()):
    yield path
    items = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    for key, inner in items:
        yield from leaves(inner, (*path, key))


def bent(value, path, odd):
    whole = copy.deepcopy(value)
    inner = whole
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = odd
    return whole


def test_any_value_bent_in_any_way_is_refused_or_harmless(gatherer, shop_store, session, records):
    """An odd value anywhere ends in an answer; the file stays sound, whatever was let in."""
    draw = random.Random(7)
    whole, inner = session
    places, places_in = list(leaves(records))[1:], list(leaves(inner))[1:]
    answers = []
    for _ in range(120):
        answers.append(
            gatherer.take("bay-1", closed(bent(records, draw.choice(places), draw.choice(ODD))))
        )
        answers.append(
            gatherer.take(
                "bay-1", packed(whole, bent(inner, draw.choice(places_in), draw.choice(ODD)))
            )
        )
    refused = sum(isinstance(one, Refused) for one in answers)
    assert refused > 150
    assert sum(isinstance(one, Kept) for one in answers) > 5
    assert shop_store.file.one("PRAGMA integrity_check") == ("ok",)
    assert shop_store.file.one("PRAGMA foreign_key_check") is None


def test_bytes_flipped_anywhere_end_in_an_answer(everything):
    draw = random.Random(8)
    for _ in range(600):
        payload = bytearray(draw.choice(everything).payloads[0])
        for _ in range(draw.randint(1, 4)):
            payload[draw.randrange(len(payload))] = draw.randrange(256)
        try:
            read = read_from_bay(bytes(payload))
            if hasattr(read, "content"):
                session_copy(read.content)
        except BadMessageError:
            pass


@pytest.mark.parametrize(
    ("address", "how", "reason"),
    [
        ("shop.lan", {}, "another computer"),
        ("10.0.0.7:1883", {}, "another computer"),
        ("localhost", {"password": ""}, "LIEBOARD_SHOP_PASSWORD"),
        ("localhost:x", {}, "HOST or HOST:PORT"),
        (":1883", {}, "HOST or HOST:PORT"),
        ("localhost:70000", {}, "a port is 1 to 65535"),
        ("shop.lan", {"tls": True, "no_tls": True}, "cannot go with"),
    ],
)
def test_nothing_goes_in_the_clear_by_mistake(address, how, reason):
    with pytest.raises(UsageError, match=reason):
        broker_at(address, **{"user": "bay-1", "password": "x", **how})


def test_where_a_broker_is():
    for address, how, host, port, tls in [
        ("localhost", {}, "localhost", 1883, False),
        ("[::1]:1900", {}, "::1", 1900, False),
        # IANA: secure-mqtt is 8883, mqtt is 1883.
        ("shop.lan", {"tls": True}, "shop.lan", 8883, True),
        ("shop.lan:99", {"no_tls": True}, "shop.lan", 99, False),
    ]:
        made = broker_at(address, user="bay-1", password="secret", **how)
        assert (made.host, made.port, made.tls) == (host, port, tls)
        assert "secret" not in repr(made)
