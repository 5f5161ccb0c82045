"""Payloads between bay and shop: made, and read with nothing taken on trust. Sans-I/O."""

from __future__ import annotations

import base64
import binascii
import json
import re
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

from logger.errors import UsageError
from logger.shop.checks import U32, BadMessageError, checked_copy, checked_row, integer, text
from logger.store.copies.columns import PARTS, Row, SessionCopy
from logger.store.copies.make import CarriedRecord, SessionName

SCHEMA: Final = "lieboard shop 1"
MAX_PAYLOAD_BYTES: Final = 256 * 1024
MAX_RECORDS: Final = 500
MAX_PARTS: Final = 64
MAX_COPY_BYTES: Final = 32 * 1024 * 1024
# A strike has at most 32 parts of 508 bytes (firmware_notes/wire.md 2.1, 2.4), each with a length.
MAX_RAW_BYTES: Final = 32 * 510
# Before base64, which makes four of three: leaves room for names beside it.
_PIECE_BYTES: Final = 128 * 1024
_MAX_NUMBER: Final = 2**63 - 1
_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")


@dataclass(frozen=True, slots=True)
class BayAsk:
    """Bay: are you there."""

    message: int


@dataclass(frozen=True, slots=True)
class BayRecords:
    """Bay: raw records in the order they were stored."""

    message: int
    boots: tuple[Row, ...]
    records: tuple[tuple[CarriedRecord, int, SessionName | None], ...]
    """Each with the place of its boot in ``boots`` and its session."""


@dataclass(frozen=True, slots=True)
class SessionPiece:
    """Bay: one piece of a copy of a session."""

    message: int
    edition: int
    part: int
    parts: int
    content: bytes


FromBay: TypeAlias = BayAsk | BayRecords | SessionPiece


@dataclass(frozen=True, slots=True)
class Here:
    """Shop: answers `BayAsk`."""

    message: int
    file: str


@dataclass(frozen=True, slots=True)
class Kept:
    """Shop: it is on the disk."""

    message: int


@dataclass(frozen=True, slots=True)
class Refused:
    """Shop: it is not, and why."""

    message: int
    reason: str
    missing: SessionName | None = None


FromShop: TypeAlias = Here | Kept | Refused


def topic(shop: str, bay: str, last: str) -> str:
    """Return a topic of a bay; ``bay`` may be ``+``, for all of them.

    Raises
    ------
    UsageError
        A name has other signs than a topic should have.
    """
    for what, name in (("shop", shop), ("bay", bay)):
        if _NAME.fullmatch(name) is None and name != "+":
            raise UsageError(f"--{what} {name!r}: take 1 to 40 of A-Z a-z 0-9 - _")
    return f"lieboard/1/{shop}/{bay}/{last}"


def bay_of(topic_name: str) -> str | None:
    """Return the bay that a topic is of; None if it is no topic of ours."""
    levels = topic_name.split("/")
    if len(levels) != 5 or levels[:2] != ["lieboard", "1"] or _NAME.fullmatch(levels[3]) is None:
        return None
    return levels[3]


# -- made -----------------------------------------------------------------------------------


def ask(message: int) -> bytes:
    """Make a `BayAsk`."""
    return _payload("ask", message)


def records(
    message: int,
    boots: Sequence[Row],
    items: Sequence[tuple[CarriedRecord, int, SessionName | None]],
) -> bytes:
    """Make `BayRecords`: each record with the place of its boot in ``boots``, and its session."""
    sessions = list(dict.fromkeys(name for _, _, name in items if name is not None))
    rows = [
        [boot, None if name is None else sessions.index(name), r.sequence, r.kind, r.flags,
         r.arrival_ns, r.struck_utc_ns, r.struck_u_ns, base64.b64encode(r.raw).decode()]
        for r, boot, name in items
    ]  # fmt: skip
    return _payload(
        "records",
        message,
        boots=list(boots),
        sessions=[_name_row(name) for name in sessions],
        records=rows,
    )


def session_pieces(message: int, edition: int, copy: SessionCopy) -> Iterator[bytes]:
    """Cut a copy of a session into payloads."""
    packed = zlib.compress(json.dumps(copy, ensure_ascii=False).encode())
    pieces = [packed[at : at + _PIECE_BYTES] for at in range(0, len(packed), _PIECE_BYTES)]
    for part, piece in enumerate(pieces):
        yield _payload(
            "session",
            message,
            edition=edition,
            part=part,
            parts=len(pieces),
            content=base64.b64encode(piece).decode(),
        )


def answer(said: FromShop) -> bytes:
    """Make an answer of the shop."""
    if isinstance(said, Here):
        return _payload("here", said.message, file=said.file)
    if isinstance(said, Kept):
        return _payload("kept", said.message)
    missing = None if said.missing is None else _name_row(said.missing)
    return _payload("refused", said.message, reason=said.reason, missing=missing)


def _payload(kind: str, message: int, **fields: Any) -> bytes:  # noqa: ANN401
    whole = {"schema": SCHEMA, "kind": kind, "message": message, **fields}
    return json.dumps(whole, ensure_ascii=False, separators=(",", ":")).encode()


def _name_row(name: SessionName) -> Row:
    return {"player": name.player, "set": name.set, "started_utc_ns": name.started_utc_ns}


# -- read -----------------------------------------------------------------------------------


def read_from_bay(payload: bytes) -> FromBay:
    """Read a payload of a bay.

    Raises
    ------
    BadMessageError
        It is not what the format says; carries the message's number if that can be read.
    """
    whole, kind, message = _opened(payload)
    try:
        if kind == "ask":
            return BayAsk(message)
        if kind == "records":
            return _read_records(message, whole)
        if kind == "session":
            return _read_piece(message, whole)
    except BadMessageError as error:
        error.message = message
        raise
    raise BadMessageError(f"kind {kind!r} is not known: update the shop's program", message)


def read_from_shop(payload: bytes) -> FromShop:
    """Read a payload of a shop.

    Raises
    ------
    BadMessageError
        It is not what the format says.
    """
    whole, kind, message = _opened(payload)
    if kind == "here":
        return Here(message, text(whole.get("file"), "file", 64))
    if kind == "kept":
        return Kept(message)
    if kind == "refused":
        missing = whole.get("missing")
        return Refused(
            message,
            text(whole.get("reason"), "reason", 500),
            None if missing is None else _read_name(missing),
        )
    raise BadMessageError(f"kind {kind!r} is not known: update this program", message)


def session_copy(packed: bytes) -> SessionCopy:
    """Read the joined pieces of a copy of a session.

    Raises
    ------
    BadMessageError
        It is not a copy, or too big a one.
    """
    unpacker = zlib.decompressobj()
    try:
        plain = unpacker.decompress(packed, MAX_COPY_BYTES)
        # Only the byte after the last tells a stream that ends there from one that goes on.
        if unpacker.unconsumed_tail or not unpacker.eof:
            raise BadMessageError("a copy of a session is cut off or too big")
    except zlib.error as error:
        raise BadMessageError(f"a copy of a session cannot be unpacked ({error})") from error
    return checked_copy(_json(plain))


def _opened(payload: bytes) -> tuple[dict[str, Any], str, int]:
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise BadMessageError(f"a payload of {len(payload)} bytes is too big")
    whole = _json(payload)
    if not isinstance(whole, dict):
        raise BadMessageError("a payload is not a JSON object")
    message = integer(whole.get("message"), "message", 0, _MAX_NUMBER)
    if whole.get("schema") != SCHEMA:
        said = str(whole.get("schema"))[:40]
        raise BadMessageError(f"schema {said!r}: this program knows {SCHEMA!r}: update it", message)
    try:
        return whole, text(whole.get("kind"), "kind", 40), message
    except BadMessageError as error:
        error.message = message
        raise


def _json(data: bytes) -> Any:  # noqa: ANN401 - whatever came
    try:
        return json.loads(data, parse_constant=_no_constant)
    # Nested a thousand deep, it is no message either.
    except (ValueError, RecursionError) as error:
        raise BadMessageError(f"a payload is not JSON ({str(error)[:80]})") from error


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is not JSON")


def _read_records(message: int, whole: dict[str, Any]) -> BayRecords:
    boots = tuple(checked_row(row, PARTS["boots"], "boots") for row in _list(whole, "boots", 500))
    names = [_read_name(row) for row in _list(whole, "sessions", 500)]
    found = []
    for row in _list(whole, "records", MAX_RECORDS):
        if not isinstance(row, list) or len(row) < 9:
            raise BadMessageError("a record is not a list of nine")
        boot = integer(row[0], "boot", 0, len(boots) - 1)
        session = None if row[1] is None else integer(row[1], "session", 0, len(names) - 1)
        record = CarriedRecord(
            id=0,
            board=boots[boot]["board"],
            boot=boots[boot]["boot"],
            session=None,
            sequence=integer(row[2], "sequence", 0, U32),
            kind=text(row[3], "kind", 20),
            flags=integer(row[4], "flags", 0, 0xFFFF),
            arrival_ns=integer(row[5], "arrival_ns", -_MAX_NUMBER, _MAX_NUMBER),
            struck_utc_ns=_maybe(row[6], "struck_utc_ns"),
            struck_u_ns=_maybe(row[7], "struck_u_ns"),
            raw=_bytes(row[8], MAX_RAW_BYTES),
        )
        found.append((record, boot, None if session is None else names[session]))
    return BayRecords(message, boots, tuple(found))


def _read_piece(message: int, whole: dict[str, Any]) -> SessionPiece:
    parts = integer(whole.get("parts"), "parts", 1, MAX_PARTS)
    return SessionPiece(
        message,
        integer(whole.get("edition"), "edition", 0, _MAX_NUMBER),
        integer(whole.get("part"), "part", 0, parts - 1),
        parts,
        _bytes(whole.get("content"), _PIECE_BYTES),
    )


def _read_name(row: object) -> SessionName:
    if not isinstance(row, dict):
        raise BadMessageError("a session's name is not an object")
    return SessionName(
        text(row.get("player"), "player", 200),
        text(row.get("set"), "set", 200),
        integer(row.get("started_utc_ns"), "started_utc_ns", 0, _MAX_NUMBER),
    )


def _list(whole: dict[str, Any], name: str, most: int) -> list[Any]:
    value = whole.get(name)
    if not isinstance(value, list) or len(value) > most:
        raise BadMessageError(f"{name} is not a list of at most {most}")
    return value


def _maybe(value: object, what: str) -> int | None:
    return None if value is None else integer(value, what, 0, _MAX_NUMBER)


def _bytes(value: object, most: int) -> bytes:
    encoded = text(value, "base64", 4 * (most // 3 + 1))
    try:
        return base64.b64decode(encoded, validate=True)
    except (binascii.Error, ValueError) as error:
        raise BadMessageError(f"not base64 ({error})") from error
