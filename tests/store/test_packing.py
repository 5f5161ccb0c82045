import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import StoreError
from logger.store.packing import pack_raw, unpack_raw


def test_layout_by_hand():
    # Each body after its length, u16 little-endian; written out by hand.
    assert pack_raw((b"\x02AB", b"", b"z" * 258)) == (
        b"\x03\x00\x02AB" + b"\x00\x00" + b"\x02\x01" + b"z" * 258
    )
    assert pack_raw(()) == b""


@given(st.lists(st.binary(max_size=600), max_size=40).map(tuple))
def test_there_and_back(bodies):
    assert unpack_raw(pack_raw(bodies)) == bodies


def test_longest_body():
    body = bytes(0xFFFF)
    assert unpack_raw(pack_raw([body])) == (body,)
    with pytest.raises(ValueError, match="65536 bytes"):
        pack_raw([body + b"x"])


@given(st.lists(st.binary(min_size=1, max_size=20), min_size=1), st.data())
def test_a_blob_that_was_cut_is_never_taken_for_whole(bodies, data):
    blob = pack_raw(bodies)
    cut = data.draw(st.integers(1, len(blob) - 1))
    try:
        found = unpack_raw(blob[:cut])
    except StoreError:
        return
    # A cut between two bodies cannot be seen, but no body may be a part of one.
    assert found == tuple(bodies[: len(found)])
    assert len(found) < len(bodies)
