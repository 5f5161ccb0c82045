"""What a fitter reads and counts without a board: overlays, and where shots end up."""

from __future__ import annotations

from dataclasses import dataclass

from logger.store.core import Core


@dataclass(frozen=True, slots=True)
class OverlayRow:
    """Two clubs laid sole to sole."""

    id: int
    first_club: int
    second_club: int
    offset_mm: float
    """From the first shaft to the second; positive = the second stands on the upright side."""
    u_mm: float
    read_utc_ns: int


@dataclass(frozen=True, slots=True)
class MissRow:
    """Where shots with one club ended up, as its player counted them."""

    id: int
    club: int
    left_count: int
    straight_count: int
    right_count: int
    noted_utc_ns: int


class ReadingTables(Core):
    """The part of the store that knows what was read by eye and counted."""

    def add_overlay(
        self, first_club: int, second_club: int, *, offset_mm: float, u_mm: float, read_utc_ns: int
    ) -> int:
        """Keep an overlay; return its id."""
        return self._insert(
            "overlays",
            {
                "first_club": first_club,
                "second_club": second_club,
                "offset_mm": offset_mm,
                "u_mm": u_mm,
                "read_utc_ns": read_utc_ns,
            },
        )

    def overlays(self, set_id: int) -> list[OverlayRow]:
        """Return the overlays of a set that are newer than any bend of either club."""
        return self._select(
            OverlayRow,
            "SELECT id, first_club, second_club, offset_mm, u_mm, read_utc_ns FROM overlays"
            ' WHERE NOT gone AND first_club IN (SELECT id FROM clubs WHERE "set" = ?)'
            " AND NOT EXISTS (SELECT 1 FROM bends WHERE NOT bends.gone"
            "   AND bends.club IN (first_club, second_club)"
            "   AND bends.bent_utc_ns > overlays.read_utc_ns)"
            " ORDER BY read_utc_ns, id",
            (set_id,),
        )

    def add_misses(
        self,
        club: int,
        *,
        left_count: int,
        straight_count: int,
        right_count: int,
        noted_utc_ns: int,
    ) -> int:
        """Keep a player's count of one club; return its id."""
        return self._insert(
            "misses",
            {
                "club": club,
                "left_count": left_count,
                "straight_count": straight_count,
                "right_count": right_count,
                "noted_utc_ns": noted_utc_ns,
            },
        )

    def misses(self, set_id: int) -> list[MissRow]:
        """Return the counts of a set's clubs, the earliest first."""
        return self._select(
            MissRow,
            "SELECT id, club, left_count, straight_count, right_count, noted_utc_ns FROM misses"
            ' WHERE NOT gone AND club IN (SELECT id FROM clubs WHERE "set" = ?)'
            " ORDER BY noted_utc_ns, id",
            (set_id,),
        )
