"""Which rows of two data files are the same, and which word counts if they differ.

Every rule gives the same whichever of the two files takes in the other, and nothing new when the
same file is taken in again:

- A row is found by what names it (`KEYS`); a table that is not listed there by its UNIQUE columns,
  or by all that it says.
- What only one file knows is kept.
- Of first and last moments the earliest and the latest are kept (`EARLIEST`, `LATEST`).
- A set's order, pivot, increment and its player's hand are those of the file in which the set was
  last imported with a change; clubs that this file never heard of come after its own.
- A contact that one file set aside by its foot switch and the other counts is set aside: it can be
  brought in again, and a bend cannot be taken back.
- Acts of both files hold, in the order in which they were said. For that both files go back to
  what held before any act, come together, and have all acts worked out on them
  (`logger.store.acts`); where acts of each file say different things of one row, that is told.
- What boards lost is decided number by number (`logger.store.copies.merge_losses`).
- Anything else that differs: the greater value, and that is told.

What was removed from one file and is still in the other comes back: nobody can tell that from
something new.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TypeAlias

from logger.store.core import Value

Row: TypeAlias = dict[str, Value]
Key: TypeAlias = tuple[Value, ...]
Rank: TypeAlias = tuple[int, "str | float | bytes | list[Rank]"]

# What names a row.
KEYS: dict[str, tuple[str, ...]] = {
    "players": ("name",),
    "sets": ("player", "name"),
    "clubs": ("set", "label"),
    "boards": ("board_key",),
    "boots": ("board", "boot_key"),
    "sessions": ("set", "started_utc_ns"),
    "strikes": ("boot", "first_sequence", "within"),
    "marks": ("session", "club", "struck_utc_ns", "toe_mm", "trail_mm", "u_mm"),
    "agreed_boards": ("key",),
    "session_origins": ("session",),
    "acts": ("act_key",),
    "act_parts": ("act", "part"),
}
# Filled in afterwards, when all clubs of a set are there.
BLANK_AT_FIRST = {("clubs", "position"), ("sets", "pivot_club")}
# The order of rows of one moment counts; nothing refers to their ids.
ORDERED = {
    "club_specs": ("club", "from_utc_ns"),
    "turns": ("session", "from_utc_ns"),
    "calibrations": ("board", "kind", "from_utc_ns"),
}
# Texts that name a record of a boot by the boot's number in its file.
CAUSES = {("turns", "cause"), ("strikes", "fitter_reason"), ("marks", "fitter_reason")}
# SQLite's own NOCASE: A to Z only (https://www.sqlite.org/datatype3.html#collating_sequences).
_NOCASE = {("players", "name"), ("sets", "name"), ("clubs", "label")}
_EARLIEST = {
    ("boards", "first_seen_utc_ns"),
    ("boots", "first_seen_utc_ns"),
    ("agreed_boards", "agreed_utc_ns"),
}
_LATEST = {("sessions", "ended_utc_ns")}
# Columns that hold together; of two the greater counts, compared in this order, and is not told.
_TOGETHER: dict[str, tuple[str, ...]] = {
    "boards": ("accepted_utc_ns", "accepted"),
    # Worked out from records, and worked out again where records came together.
    "strikes": (
        "last_sequence", "method_version", "struck_utc_ns", "kind", "toe_mm", "board_mm",
        "trail_mm", "load", "span_us", "flags", "rule_reason",
    ),
}  # fmt: skip
# Follow from other tables and are set from those.
_ELSEWHERE = BLANK_AT_FIRST | {
    ("strikes", "club"),
    ("strikes", "session"),
    ("players", "hand"),
    ("sets", "machine_increment_deg"),
}
_WORDS = ("fitter_choice", "fitter_reason")
_LOWER = {ord(letter): letter.lower() for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"}


def folded(text: str) -> str:
    """Make small letters of A to Z, as SQLite's NOCASE does."""
    return text.translate(_LOWER)


def key_of(table: str, row: Row, key: Sequence[str]) -> Key:
    """Return what names a row."""
    return tuple(
        folded(value) if (table, name) in _NOCASE and isinstance(value, str) else value
        for name in key
        for value in (row[name],)
    )


def settle(
    table: str,
    own: Row,
    other: Row,
    key: Sequence[str],
    rank: Callable[[str, Value], Rank],
) -> tuple[Row, list[str]]:
    """Return what a row says that two files know, and the columns whose loss is to be told.

    Parameters
    ----------
    table
        Its name.
    own, other
        Without ``id``, in ids of this file.
    key
        Columns that name it.
    rank
        Puts values of a column in an order that does not hang on the ids of either file.
    """
    result, told = dict(own), []
    group = _TOGETHER.get(table, ())
    pair = (own, other)
    if group:
        best = max(pair, key=lambda row: [rank(name, row[name]) for name in group])
        result.update({name: best[name] for name in group})
    words = _WORDS if _WORDS[0] in own else ()
    if words:
        word = min(pair, key=_weight_of_word)
        # A reason without a word is none.
        result.update({name: word[words[0]] and word[name] for name in words})
        if None not in (own[words[0]], other[words[0]]) and own[words[0]] != other[words[0]]:
            told.append(words[0])
    named = {name for name in key if (table, name) not in _NOCASE}
    for name in own:
        done = name in named or name in group or name in words or (table, name) in _ELSEWHERE
        if done or own[name] == other[name]:
            continue
        if (table, name) in _EARLIEST:
            result[name] = min(own[name], other[name], key=order)
            continue
        result[name] = max(own[name], other[name], key=lambda value: rank(name, value))
        both_known = own[name] is not None and other[name] is not None
        if both_known and (table, name) not in _LATEST:
            told.append(name)
    return result, told


def order(value: Value) -> Rank:
    """Sort any two values that a column can hold; what is not known comes first."""
    if value is None:
        return (0, 0)
    if isinstance(value, int | float):
        return (1, value)
    return (2, value) if isinstance(value, str) else (3, value)


def ranks(values: Iterable[Value]) -> list[Rank]:
    """Return `order` of each."""
    return [order(value) for value in values]


def _weight_of_word(row: Row) -> tuple[int, bool, str]:
    """Put persons' words in order: set aside, brought in, none; then by the reason given."""
    weight = {"aside": 0, "use": 1}.get(str(row[_WORDS[0]]), 2)
    return weight, row[_WORDS[1]] is None, str(row[_WORDS[1]])
