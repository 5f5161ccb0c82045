"""Numbers and pieces out of the bytes that a fuzzer makes: any bytes mean something."""

from __future__ import annotations

import zlib

from cobs import cobs

# Where counters and clocks go wrong.
_EDGES = (0, 1, 2, 2**8 - 1, 2**15, 2**16 - 1, 2**31 - 1, 2**31, 2**32 - 2, 2**32 - 1)


class Bytes:
    """Reads a fuzzer's input from its front; at the end there are only zeros."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def __bool__(self) -> bool:
        return self._at < len(self._data)

    def take(self, count: int) -> bytes:
        taken = self._data[self._at : self._at + count]
        self._at += count
        return taken

    def rest(self) -> bytes:
        return self.take(max(len(self._data) - self._at, 0))

    def number(self, size: int) -> int:
        return int.from_bytes(self.take(size), "little")

    def below(self, limit: int) -> int:
        return self.number(1 if limit <= 256 else 4) % limit

    def u32(self, near: int = 0) -> int:
        """A number that is likely to be small, at an edge, or close to ``near``."""
        kind, value = divmod(self.number(1), 64)
        if kind == 0:
            return value
        if kind == 1:
            return _EDGES[value % len(_EDGES)]
        if kind == 2:
            return (near + value - 16) % 2**32
        return self.number(4)


def framed(body: bytes) -> bytes:
    """A frame around any body, the length of which is not looked at (wire.md, 2.1)."""
    return bytes(cobs.encode(body + zlib.crc32(body).to_bytes(4, "little"))) + b"\x00"


def chunks(data: bytes) -> list[bytes]:
    """Cut data into pieces of 1 to 97 bytes, always the same way."""
    out, at = [], 0
    state = zlib.crc32(data)
    while at < len(data):
        state = (state * 1103515245 + 12345) % 2**31
        size = 1 + (state >> 8) % (97 if state & 64 else 5)
        out.append(data[at : at + size])
        at += size
    return out


def one_line(text: str) -> None:
    """Hold a message for a person to what it promises."""
    assert text
    assert text.isprintable(), text
    assert len(text) <= 4000, f"{len(text)} characters: {text[:200]}"
