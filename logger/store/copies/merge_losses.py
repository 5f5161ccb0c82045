"""Take from another data file into this one what boards lost.

Decided number by number, so that neither the order of the files nor how they cut spans counts:

- A number is lost only if no record of it is in either file.
- Of all that is said of a number the word noted first holds; of words of one moment that of the
  session that began first, then that of the reason and of the club whose names come first. What is
  known comes before what is not.
- The club is then the one that was up when the next record of that session was struck, if there
  is one: turns and records of both files decide it, as they do for strikes.
- Neighbouring numbers of which the same holds are one span.

Losses of which only the count is known cannot be told apart but by all that they say: each is kept
as often as the file has it that has it more often.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

from logger.store.copies.merge_rows import Merging
from logger.store.copies.merge_rules import Row, ranks
from logger.store.core import Value
from logger.store.strikes import club_up_after

_Said: TypeAlias = tuple[tuple[str, Value], ...]
# The facts of a loss, in the order in which they are compared. The club comes last, since it may be
# set again: else of three files it would count which two came together first.
_FACTS = ("noted_utc_ns", "session", "reason", "club")


@dataclass(frozen=True, slots=True)
class _Span:
    """Numbers ``first`` to ``last`` of a start, all lost, and what holds of each."""

    first: int
    last: int
    said: Row


def merge_losses(merging: Merging) -> None:
    """Take in losses; to be called when turns and records of both files are together."""
    ours, theirs = _by_boot(merging, "main"), _by_boot(merging, merging.other)
    for boot in sorted({*ours, *theirs}):
        have = ours.get(boot, [])
        said = [[row for _, row in rows] for rows in (have, theirs.get(boot, []))]
        _write(merging, have, _wanted(merging, boot, *said))


def _by_boot(merging: Merging, schema: str) -> dict[int, list[tuple[int, Row]]]:
    found: dict[int, list[tuple[int, Row]]] = {}
    for number, row in merging.rows("losses", schema):
        said = row if schema == "main" else merging.translated("losses", row)
        if isinstance(said["boot"], int):
            found.setdefault(said["boot"], []).append((number, said))
    return found


def _write(merging: Merging, have: Sequence[tuple[int, Row]], wanted: Counter[_Said]) -> None:
    missing = Counter(wanted)
    gone = []
    for number, row in have:
        said = _said(row)
        if missing[said] > 0:
            missing[said] -= 1
        else:
            gone.append(number)
    merging.connection.executemany(
        "DELETE FROM main.losses WHERE id = ?", ((number,) for number in gone)
    )
    new = list(missing.elements())
    for said in new:
        merging.insert("losses", dict(said))
    merging.added["losses"] -= min(len(gone), len(new))
    merging.changed["losses"] += len(gone)


def _wanted(
    merging: Merging, boot: int, ours: Sequence[Row], theirs: Sequence[Row]
) -> Counter[_Said]:
    spans = [span for row in (*ours, *theirs) for span in _span_of(row)]
    pieces = (
        _Span(piece.first, piece.last, _with_club_up(merging, piece))
        for span in _apart(merging, spans)
        for piece in _without_records(merging, boot, span)
    )
    wanted = _unnumbered(ours) | _unnumbered(theirs)
    for span in _joined(pieces):
        numbers: Row = {
            "from_sequence": span.first,
            "to_sequence": span.last,
            "count": span.last - span.first + 1,
        }
        wanted[_said({**span.said, **numbers})] += 1
    return wanted


def _said(row: Row) -> _Said:
    return tuple(sorted(row.items()))


def _unnumbered(rows: Sequence[Row]) -> Counter[_Said]:
    """Losses without numbers, each with how often it is there."""
    return Counter(_said(row) for row in rows if not _span_of(row))


def _span_of(row: Row) -> tuple[_Span, ...]:
    first, last = row["from_sequence"], row["to_sequence"]
    if isinstance(first, int) and isinstance(last, int) and first <= last:
        return (_Span(first, last, row),)
    return ()


def _apart(merging: Merging, spans: Sequence[_Span]) -> Iterator[_Span]:
    """Cut spans where any begins or ends; of those that lie on one another give the first by rank.

    By way of cuts and not of numbers: one span may be millions.
    """
    begins = sorted(
        ((span.first, _rank(merging, span.said), place) for place, span in enumerate(spans)),
        reverse=True,
    )
    cuts = sorted({cut for span in spans for cut in (span.first, span.last + 1)})
    open_spans: list[tuple[list[object], int]] = []
    for at, following in pairwise(cuts):
        while begins and begins[-1][0] == at:
            _, rank, place = begins.pop()
            heapq.heappush(open_spans, (rank, place))
        while open_spans and spans[open_spans[0][1]].last < at:
            heapq.heappop(open_spans)
        if open_spans:
            yield _Span(at, following - 1, spans[open_spans[0][1]].said)


def _rank(merging: Merging, said: Row) -> list[object]:
    begun = merging.connection.execute(
        "SELECT started_utc_ns FROM main.sessions WHERE id = ?", (said["session"],)
    ).fetchone()
    named = [(said[name] is None, merging.rank("losses", name, said[name])) for name in _FACTS]
    return [named[0], begun is None, [] if begun is None else ranks(begun), *named[1:]]


def _without_records(merging: Merging, boot: int, span: _Span) -> Iterator[_Span]:
    """Give what is left of a span without the numbers whose records are there."""
    at = span.first
    for (number,) in merging.connection.execute(
        "SELECT sequence FROM main.records WHERE boot = ? AND sequence BETWEEN ? AND ?"
        " ORDER BY sequence",
        (boot, span.first, span.last),
    ):
        if number > at:
            yield _Span(at, number - 1, span.said)
        at = number + 1
    if at <= span.last:
        yield _Span(at, span.last, span.said)


def _with_club_up(merging: Merging, piece: _Span) -> Row:
    boot, session = piece.said["boot"], piece.said["session"]
    if not isinstance(boot, int) or not isinstance(session, int):
        return piece.said
    found = club_up_after(merging.connection, boot, session, piece.last)
    return piece.said if found is None else {**piece.said, "club": found[0]}


def _joined(pieces: Iterator[_Span]) -> Iterator[_Span]:
    held: _Span | None = None
    for piece in pieces:
        if held is not None and held.last + 1 == piece.first and _same(held.said, piece.said):
            held = _Span(held.first, piece.last, held.said)
            continue
        if held is not None:
            yield held
        held = piece
    if held is not None:
        yield held


def _same(one: Row, another: Row) -> bool:
    return all(one[name] == another[name] for name in _FACTS)
