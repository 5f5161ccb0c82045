"""The bytes of one record as one blob: each body after its length, u16 little-endian."""

from __future__ import annotations

import struct
from collections.abc import Iterable

from logger.errors import StoreError

_LENGTH = struct.Struct("<H")
# The length field's own limit; a wire body is at most 508 bytes (firmware_notes/wire.md 2.1).
MAX_BODY_BYTES = 0xFFFF


def pack_raw(bodies: Iterable[bytes]) -> bytes:
    """Join the bodies of one record into the blob that the store keeps.

    Raises
    ------
    ValueError
        If a body is longer than `MAX_BODY_BYTES`.
    """
    pieces: list[bytes] = []
    for body in bodies:
        if len(body) > MAX_BODY_BYTES:
            raise ValueError(f"a body of {len(body)} bytes is too long to store")
        pieces += (_LENGTH.pack(len(body)), body)
    return b"".join(pieces)


def unpack_raw(blob: bytes) -> tuple[bytes, ...]:
    """Bodies of one record; the inverse of `pack_raw`.

    Raises
    ------
    StoreError
        If the blob ends in the middle of a body.
    """
    bodies: list[bytes] = []
    at = 0
    while at < len(blob):
        start = at + _LENGTH.size
        if start > len(blob):
            raise StoreError("a stored record is damaged: it ends in the middle of a length")
        (length,) = _LENGTH.unpack_from(blob, at)
        at = start + length
        if at > len(blob):
            raise StoreError("a stored record is damaged: it ends in the middle of a body")
        bodies.append(blob[start:at])
    return tuple(bodies)
