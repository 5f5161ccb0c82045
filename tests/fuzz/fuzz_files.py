"""Fuzz targets for files that people hand over: set files and captures."""

from __future__ import annotations

import contextlib
import json
import math
import os
import struct
import tempfile
import zlib
from dataclasses import asdict
from pathlib import Path

from fuzz_bytes import Bytes, one_line

from logger.errors import ConfigError, LinkClosedError, LinkOpenError, StoreError
from logger.links.capture import CaptureReader, RecordKind
from logger.links.replay import ReplayLink
from logger.setfiles import load_set

_I64 = range(-(2**63), 2**63)
# In memory where there is such a place: a target runs a thousand times a second.
_PLACE = Path("/dev/shm")
_FOLDER = tempfile.TemporaryDirectory(dir=_PLACE if os.access(_PLACE, os.W_OK) else None)


def _file(name, data):
    path = Path(_FOLDER.name) / name
    path.write_bytes(data)
    return path


def _set_file(name, data):
    try:
        found = load_set(_file(name, data))
    except ConfigError as error:
        text = str(error)
        assert text.startswith(_FOLDER.name)
        one_line(text)
        return
    labels = [club.label for club in found.clubs]
    assert labels
    assert all(labels)
    assert len({label.casefold() for label in labels}) == len(labels)
    assert found.pivot_label in labels
    assert found.hand in ("right", "left")
    for text in (found.player, found.name, *found.ignored):
        one_line(text)
    for club in found.clubs:
        for value in asdict(club.spec).values():
            assert not isinstance(value, float) or math.isfinite(value)


def set_toml(data):
    """Any TOML set file: a set, or one line that says what is wrong."""
    _set_file("set.toml", data)


def set_csv(data):
    """Any spreadsheet: a set, or one line that says what is wrong."""
    _set_file("set.csv", data)


def _crc(data):
    return zlib.crc32(data).to_bytes(4, "little")


def _made_capture(source):
    """A file with right checksums and anything under them; where its records end, and what is."""
    facts = source.take(source.number(1))
    if source.below(4):
        times = [source.number(8) - 2**62 if source.below(2) else 10**9 for _ in range(2)]
        facts = json.dumps({"url": "memory:", "monotonic_ns": times[0], "utc_ns": times[1]})
        facts = facts.encode()
    head = struct.pack("<8sHI", b"\x8aLBC\r\n\x1a\n", 1, len(facts)) + facts
    file = head + _crc(head)
    ends, records = [], []
    now = 0
    while source:
        kind = 1 + source.below(5)
        now = now + source.number(4) if source.below(8) else source.number(8) - 2**63
        body = source.take(source.number(1))
        at = max(min(now, 2**63 - 1), -(2**63))
        head = struct.pack("<BIq", kind, len(body), at)
        file += head + _crc(head) + body + _crc(body)
        ends.append(len(file))
        records.append((kind, at, body))
    return file, ends, records


def capture(data):
    """Any capture: the records before the damage, then one line."""
    source = Bytes(data)
    ends, records = [], []
    how = source.below(4)
    if how == 0:
        file = source.rest()
    else:
        hit = source.number(4)
        file, ends, records = _made_capture(source)
        cut = hit % (len(file) + 1)
        if how == 1:
            file = file[:cut]
            ends = [end for end in ends if end <= cut]
        elif how == 2 and file:
            at = min(cut, len(file) - 1)
            file = file[:at] + bytes([file[at] ^ (1 << (hit >> 29))]) + file[at + 1 :]
            ends = [end for end in ends if end <= at]
    path = _file("file.capture", file)
    got = []
    try:
        with CaptureReader(path) as reader:
            for record in reader:
                assert record.kind in set(RecordKind)
                assert record.at_ns in _I64
                got.append((record.kind, record.at_ns, record.data))
    except StoreError as error:
        text = str(error)
        one_line(text)
        good_before = "what came before it is good" in text
    else:
        good_before = True
        if how == 3 and ends:
            assert got == records
    if good_before:
        assert got == records[: len(got)] or how == 0
    _replay(path)


def _replay(path):
    async def play():
        link = ReplayLink(path)
        try:
            await link.open()
            with contextlib.suppress(LinkClosedError):
                while True:
                    chunk = await link.read()
                    # The store keeps such times in 64 bits, with room for what a clock adds.
                    assert abs(link.anchor.to_utc_ns(chunk.arrival_ns)) < 2**63 - 2**60
        except LinkOpenError as error:
            one_line(str(error))
        finally:
            await link.close()

    _run(play())


def _run(coroutine):
    """Run a coroutine that waits for nothing outside: no loop of its own for each of thousands."""
    try:
        while True:
            coroutine.send(None)
    except StopIteration:
        return
