"""Strikes read in bulk are those that the ordinary way reads, and what it refuses is refused."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.protocol.decoding import record_from_raw
from logger.protocol.many_strikes import strikes_from_raw
from logger.protocol.records import Flag, StrikePart
from logger.protocol.wire import encode


def bodies(rng, sequence, scans=(7, 7, 2), cells=32, greatest=4000, flags=0):
    """Make the parts of one strike."""
    span = int(rng.integers(0, 5000))
    ticks = rng.integers(0, 2**32, sum(scans), dtype=np.uint32)
    counts = rng.integers(0, greatest, (sum(scans), 1, cells), dtype=np.uint16)
    starts = np.cumsum([0, *scans])
    return tuple(
        encode(
            StrikePart(
                sequence, part, len(scans), Flag(flags), 1, cells, span,
                ticks[start : start + many], counts[start : start + many],
            )
        )
        for part, (start, many) in enumerate(zip(starts, scans, strict=False))
    )  # fmt: skip


def test_many_strikes_of_few_layouts(plain):
    rng = np.random.default_rng(1)
    raws = []
    for sequence in range(60):
        scans = [(7, 7, 2), (7, 7, 4), (7,), (3, 3)][rng.integers(4)]
        greatest = int(rng.choice([200, 4000]))
        flags = int(rng.integers(0, 256))
        raws.append(bodies(rng, sequence, scans, greatest=greatest, flags=flags))
    # Also a part that is quiet enough for one byte a value, and other records.
    loud, quiet = bodies(rng, 60, (3, 3)), bodies(rng, 60, (3, 3), greatest=200)
    raws += [(loud[0], *_of(quiet[1:], loud[0])), (b"\x02" + bytes(19),), (b"LB1 x=12.5",)]
    assert plain(strikes_from_raw(raws)) == plain([record_from_raw(raw) for raw in raws])
    assert strikes_from_raw([]) == []


def _of(parts, first):
    """Make parts those of the strike that begins with ``first``: same span."""
    return [part[:12] + first[12:16] + part[16:] for part in parts]


@given(st.integers(0, 2), st.integers(0, 40), st.integers(0, 255))
def test_one_byte_changed_among_good_strikes(plain, part, place, value):
    rng = np.random.default_rng(2)
    raws = [bodies(rng, sequence) for sequence in range(4)]
    changed = bytearray(raws[2][part])
    changed[place] = value
    raws[2] = (*raws[2][:part], bytes(changed), *raws[2][part + 1 :])
    said = []
    for read in (lambda: [record_from_raw(raw) for raw in raws], lambda: strikes_from_raw(raws)):
        try:
            said.append(plain(read()))
        except ValueError as error:
            said.append(str(error))
    assert said[0] == said[1]
