"""Whether what came from outside is what it says: types, ranges, lengths. Sans-I/O."""

from __future__ import annotations

import json
import math
from typing import Any, Final

from logger.protocol.hello import hello_from_json
from logger.store.copies.columns import PARTS, CopiedColumn, CopiedPart, Row, SessionCopy

_MAX_NUMBER: Final = 2**63 - 1
U32: Final = 2**32 - 1
# Of a text that a person types, and of JSON that a program wrote.
_MAX_TEXT: Final = 2_000
_MAX_JSON_TEXT: Final = 200_000
_JSON_TEXTS: Final = ("hello", "content")
# A day of swings every second.
_MAX_ROWS: Final = 100_000
_ONE_ROW: Final = ("player", "set", "session")
_CHOICES: Final[dict[tuple[str, str], tuple[str | int, ...]]] = {
    ("player", "hand"): ("right", "left"),
    ("session", "hand"): ("right", "left"),
    ("session", "ball"): (0, 1),
    ("session", "gone"): (0, 1),
    ("boots", "form"): ("binary", "text"),
    ("boots", "accepted"): (0, 1),
    ("strikes", "fitter_choice"): ("use", "aside"),
    ("marks", "fitter_choice"): ("use", "aside"),
    ("specs", "bias_unit"): ("mm", "deg", "m"),
}


class BadMessageError(Exception):
    """A payload that is not what the format says; ``message`` is its number if it has one."""

    def __init__(self, reason: str, message: int | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.message = message


def integer(value: object, what: str, least: int, most: int) -> int:
    """Return a whole number within limits."""
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise BadMessageError(f"{what} is not a whole number of {least} to {most}")
    return value


def real(value: object, what: str) -> float:
    """Return a finite number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadMessageError(f"{what} is not a number")
    # Whole numbers too great for a float are no lengths either.
    if not -1e300 < value < 1e300 or not math.isfinite(value):
        raise BadMessageError(f"{what} is not a number that can be")
    return float(value)


def text(value: object, what: str, most: int = _MAX_TEXT) -> str:
    """Return a text of at most so many characters that SQLite can keep."""
    if not isinstance(value, str) or len(value) > most:
        raise BadMessageError(f"{what} is not a text of at most {most} characters")
    try:
        value.encode()
    except UnicodeEncodeError as error:
        raise BadMessageError(f"{what} has signs that are none") from error
    if "\0" in value:
        raise BadMessageError(f"{what} has a NUL in it")
    return value


def checked_copy(plain: object) -> SessionCopy:
    """Return a copy of a session of which every value is of its kind.

    Whether its names fit each other is seen when it is stored
    (`logger.store.copies.take_in.SessionCopies.take_in`).

    Raises
    ------
    BadMessageError
        Naming what is wrong.
    """
    if not isinstance(plain, dict):
        raise BadMessageError("a copy of a session is not an object")
    copy: SessionCopy = {}
    for name, part in PARTS.items():
        # A bay of an earlier version knows of no acts.
        rows = plain.get(name, [] if name in ("acts", "act_parts") else None)
        if not isinstance(rows, list) or len(rows) > _MAX_ROWS:
            raise BadMessageError(f"{name} is not a list of at most {_MAX_ROWS}")
        if name in _ONE_ROW and len(rows) != 1:
            raise BadMessageError(f"{name} is not one row")
        copy[name] = [checked_row(row, part, name) for row in rows]
    return copy


def checked_row(row: object, part: CopiedPart, name: str) -> Row:
    """Return the columns of a part, and only those, each of its kind."""
    if not isinstance(row, dict):
        raise BadMessageError(f"a row of {name} is not an object")
    return {
        column.name: _value(row.get(column.name), column, f"{name}.{column.name}", name)
        for column in part.columns
    }


def _value(value: object, column: CopiedColumn, what: str, part: str) -> Any:  # noqa: ANN401
    if value is None:
        if column.may_miss:
            return None
        raise BadMessageError(f"{what} is missing")
    choices = _CHOICES.get((part, column.name))
    if choices is not None and (isinstance(value, bool) or value not in choices):
        raise BadMessageError(f"{what} is none of {', '.join(map(str, choices))}")
    if column.kind == "integer":
        least = 1 if (part, column.name) == ("losses", "count") else 0
        return integer(value, what, least, _MAX_NUMBER)
    if column.kind == "real":
        return real(value, what)
    if column.name in _JSON_TEXTS:
        return _json_text(value, what, is_hello=column.name == "hello")
    return text(value, what)


def _json_text(value: object, what: str, *, is_hello: bool) -> str:
    written = text(value, what, _MAX_JSON_TEXT)
    if is_hello:
        try:
            hello_from_json(written)
        except ValueError as error:
            raise BadMessageError(f"{what}: {error}") from error
        return written
    try:
        plain = json.loads(written)
    except (ValueError, RecursionError) as error:
        raise BadMessageError(f"{what} is not JSON") from error
    if not isinstance(plain, dict):
        raise BadMessageError(f"{what} is not an object")
    return written
