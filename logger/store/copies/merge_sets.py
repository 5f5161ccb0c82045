"""Which clubs are in a set, in which order, when two data files say different things."""

from __future__ import annotations

from dataclasses import dataclass

from logger.store.copies.merge_rows import Merging
from logger.store.copies.merge_rules import folded, order

# The later import of a set counts; `logger.store.sets` writes this as its source.
_IMPORTED = "set file"


@dataclass(frozen=True, slots=True)
class SetSide:
    """What one file says of one set."""

    imported_utc_ns: int
    """When an import last changed something in it; -1 if none did."""
    labels: tuple[str, ...]
    """Of the clubs in it, in order."""
    left: frozenset[str]
    """Of the clubs that are no longer in it."""
    pivot: str | None
    increment_deg: float | None
    hand: str
    """The player's."""


def sides_of(merging: Merging, schema: str) -> dict[tuple[str, str], SetSide]:
    """Return what one of the two files says of its sets, by player and name."""
    select = {"main": _SETS.format(schema="main"), "other": _SETS.format(schema="other")}[schema]
    clubs = {"main": _CLUBS.format(schema="main"), "other": _CLUBS.format(schema="other")}[schema]
    found = {}
    for number, player, name, pivot, increment, hand, imported in merging.connection.execute(
        select, (_IMPORTED,)
    ).fetchall():
        rows = merging.connection.execute(clubs, (number,)).fetchall()
        found[folded(player), folded(name)] = SetSide(
            imported,
            tuple(label for label, position in rows if position is not None),
            frozenset(folded(label) for label, position in rows if position is None),
            pivot,
            increment,
            hand,
        )
    return found


_SETS = """
SELECT sets.id, players.name, sets.name,
  (SELECT label FROM {schema}.clubs AS pivots WHERE pivots.id = sets.pivot_club),
  sets.machine_increment_deg, players.hand,
  COALESCE((SELECT MAX(specs.from_utc_ns) FROM {schema}.club_specs AS specs
    JOIN {schema}.clubs AS clubs ON clubs.id = specs.club
    WHERE clubs."set" = sets.id AND specs.source = ?), -1)
FROM {schema}.sets AS sets JOIN {schema}.players AS players ON players.id = sets.player
ORDER BY players.name, sets.name, sets.id
"""
_CLUBS = """
SELECT label, position FROM {schema}.clubs AS clubs WHERE "set" = ?
ORDER BY position IS NULL, position, id
"""


def newer_first(one: SetSide, another: SetSide) -> tuple[SetSide, SetSide]:
    """Put the side that was imported later first; of two of one moment the greater by content."""

    def rank(side: SetSide) -> tuple[object, ...]:
        return (
            side.imported_utc_ns,
            side.labels,
            sorted(side.left),
            side.pivot or "",
            order(side.increment_deg),
            side.hand,
        )

    newer, older = (one, another) if rank(one) >= rank(another) else (another, one)
    return newer, older


def joined(newer: SetSide, older: SetSide) -> tuple[str, ...]:
    """Labels of the set in order: the newer file's, then those that it never heard of."""
    known = {folded(label) for label in newer.labels} | newer.left
    return (*newer.labels, *(label for label in older.labels if folded(label) not in known))


def settle_sets(
    merging: Merging,
    ours: dict[tuple[str, str], SetSide],
    theirs: dict[tuple[str, str], SetSide],
) -> None:
    """Write order, pivot, increment and hand of every set of the other file.

    ``ours`` and ``theirs`` are as they were before anything was merged.
    """
    hands: dict[str, tuple[int, str]] = {}
    for key in sorted(theirs):
        other = theirs[key]
        newer, older = newer_first(ours.get(key, other), other)
        _write_set(merging, key, newer, older)
    for sides in (ours, theirs):
        for (player, _), side in sides.items():
            hands[player] = max(hands.get(player, (-2, "")), (side.imported_utc_ns, side.hand))
    for player in {player for player, _ in theirs}:
        _write_hand(merging, player, hands[player][1])


def _write_set(merging: Merging, key: tuple[str, str], newer: SetSide, older: SetSide) -> None:
    number, name = merging.connection.execute(
        "SELECT sets.id, sets.name FROM main.sets JOIN main.players ON players.id = sets.player"
        " WHERE players.name = ? AND sets.name = ?",
        key,
    ).fetchone()
    labels = joined(newer, older)
    places = {folded(label): place for place, label in enumerate(labels)}
    pivot = newer.pivot if newer.pivot is not None else older.pivot
    pivot_id = None
    for club, label, position in merging.connection.execute(
        'SELECT id, label, position FROM main.clubs WHERE "set" = ? ORDER BY id', (number,)
    ).fetchall():
        place = places.get(folded(label))
        if position != place:
            merging.update("clubs", club, {"position": place})
        if pivot is not None and folded(label) == folded(pivot):
            pivot_id = club
    increment = newer.increment_deg if newer.increment_deg is not None else older.increment_deg
    known = merging.connection.execute(
        "SELECT pivot_club, machine_increment_deg FROM main.sets WHERE id = ?", (number,)
    ).fetchone()
    if known != (pivot_id, increment):
        merging.update("sets", number, {"pivot_club": pivot_id, "machine_increment_deg": increment})
    # What the older file knew is told when it is not what holds now.
    for what, kept, dropped in (
        ("order of clubs", " ".join(labels), " ".join(older.labels)),
        ("pivot", pivot, older.pivot),
        ("machine increment", increment, older.increment_deg),
    ):
        if dropped is not None and kept != dropped and newer is not older:
            merging.differ(f"set {name}: {what}", kept, dropped)


def _write_hand(merging: Merging, player: str, hand: str) -> None:
    number, name, known = merging.connection.execute(
        "SELECT id, name, hand FROM main.players WHERE name = ?", (player,)
    ).fetchone()
    if known != hand:
        merging.update("players", number, {"hand": hand})
        merging.differ(f"player {name}: hand", hand, known)
