"""Many stored strikes read at once: what `record_from_raw` gives, for less work around each.

Strikes of one board lie in their bytes alike but for what was measured. One of each layout is read
and checked the ordinary way; those that agree with it byte for byte, but for sequence, flags,
span and scans, are cut out side by side. All others go the ordinary way too.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from logger.protocol.decoding import record_from_raw
from logger.protocol.layout import STRIKE, StrikeHead, scan_dtype
from logger.protocol.records import Flag, Record, Strike
from logger.protocol.wire import strike_head

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Head of a part, `firmware_notes/wire.md` section 2.4, as `logger.protocol.layout.STRIKE` has it.
_HEAD = np.dtype(
    [
        ("type", "u1"),
        ("sequence", "<u4"),
        ("part", "u1"),
        ("parts", "u1"),
        ("flags", "u1"),
        ("value_bytes", "u1"),
        ("rows", "u1"),
        ("cells", "u1"),
        ("scans", "u1"),
        ("span_ticks", "<u4"),
    ]
)
# The same in every part of a strike, and free to differ between strikes.
_OWN = ("sequence", "flags", "span_ticks")
_LAYOUT = tuple(name for name in StrikeHead._fields if name not in _OWN)


def strikes_from_raw(raws: Sequence[Sequence[bytes]]) -> list[Record]:
    """Read records again from the bytes that `RawRecord.raw` kept of them, in the order given.

    Raises
    ------
    ValueError
        As `record_from_raw`.
    """
    records: list[Record | None] = [None] * len(raws)
    alike: dict[tuple[int, ...], list[int]] = {}
    for place, raw in enumerate(raws):
        alike.setdefault(tuple(map(len, raw)), []).append(place)
    for places in alike.values():
        pattern = records[places[0]] = record_from_raw(raws[places[0]])
        if isinstance(pattern, Strike):
            others = places[1:]
            cut = _cut_out(raws[places[0]], [raws[place] for place in others])
            for place, strike in zip(others, cut, strict=True):
                records[place] = strike
    return [
        record_from_raw(raw) if record is None else record
        for raw, record in zip(raws, records, strict=True)
    ]


def _cut_out(pattern: Sequence[bytes], raws: Sequence[Sequence[bytes]]) -> Sequence[Strike | None]:
    """Read strikes whose parts are as long as those of the checked ``pattern``; None if unlike."""
    heads = [head for head in map(strike_head, pattern) if isinstance(head, StrikeHead)]
    if not raws or len({head.value_bytes for head in heads}) > 1:
        return [None] * len(raws)
    data = np.frombuffer(b"".join(body for raw in raws for body in raw), dtype=np.uint8)
    data = data.reshape(len(raws), -1)
    scan = scan_dtype(heads[0].value_bytes, heads[0].rows, heads[0].cells)
    own: NDArray[np.void] = _heads_at(data, 0)
    like = np.ones(len(raws), dtype=np.bool_)
    scans: list[NDArray[np.uint8]] = []
    at = 0
    for head, body in zip(heads, pattern, strict=True):
        found = _heads_at(data, at)
        for name in _LAYOUT:
            like &= found[name] == getattr(head, name)
        for name in _OWN:
            like &= found[name] == own[name]
        start = at + STRIKE.size
        scans.append(data[:, start : start + head.scans * scan.itemsize])
        at += len(body)
    read = np.concatenate(scans, axis=1).view(scan)
    ticks, counts = read["ticks"].astype(np.uint32), read["counts"].astype(np.uint16)
    return [
        Strike(int(head["sequence"]), Flag(int(head["flags"])), int(head["span_ticks"]), t, c)
        if sound
        else None
        for sound, head, t, c in zip(like, own, ticks, counts, strict=True)
    ]


def _heads_at(data: NDArray[np.uint8], at: int) -> NDArray[np.void]:
    """Heads that stand at one place of all strikes, shape (n,)."""
    return np.ascontiguousarray(data[:, at : at + _HEAD.itemsize]).view(_HEAD)[:, 0]
