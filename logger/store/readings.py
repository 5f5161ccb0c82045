"""What a fitter reads and counts without a board: overlays, and where shots end up."""

from __future__ import annotations

from dataclasses import dataclass

from logger.setfiles.clubs import ClubSpec
from logger.store.core import DataFile, Part
from logger.store.rows import BendRow
from logger.store.sets import Clubs


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


class Readings(Part):
    """Overlays, misses and bends."""

    def __init__(self, file: DataFile, clubs: Clubs) -> None:
        super().__init__(file)
        self._clubs = clubs

    def add_overlay(
        self, first_club: int, second_club: int, *, offset_mm: float, u_mm: float, read_utc_ns: int
    ) -> int:
        """Keep an overlay; return its id."""
        return self._file.insert(
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
        return self._file.select(
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
        return self._file.insert(
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
        return self._file.select(
            MissRow,
            "SELECT id, club, left_count, straight_count, right_count, noted_utc_ns FROM misses"
            ' WHERE NOT gone AND club IN (SELECT id FROM clubs WHERE "set" = ?)'
            " ORDER BY noted_utc_ns, id",
            (set_id,),
        )

    def add_bend(
        self,
        club: int,
        *,
        bent_utc_ns: int,
        planned_bend_deg: float | None = None,
        lie_before_deg: float | None = None,
        lie_after_deg: float | None = None,
        loft_before_deg: float | None = None,
        loft_after_deg: float | None = None,
        session: int | None = None,
        note: str | None = None,
    ) -> int:
        """Keep a bend; return its id. What was measured after it is the club's from then on."""
        with self._file.writing():
            # Also where it is known already: the bend that said so may be taken back.
            self._clubs.put_spec(
                club,
                ClubSpec(lie_deg=lie_after_deg, loft_deg=loft_after_deg),
                at_utc_ns=bent_utc_ns,
                source="bend",
            )
            return self._file.insert(
                "bends",
                {
                    "club": club,
                    "session": session,
                    "bent_utc_ns": bent_utc_ns,
                    "planned_bend_deg": planned_bend_deg,
                    "lie_before_deg": lie_before_deg,
                    "lie_after_deg": lie_after_deg,
                    "loft_before_deg": loft_before_deg,
                    "loft_after_deg": loft_after_deg,
                    "note": note,
                },
            )

    def bends(self, club: int | None = None) -> list[BendRow]:
        """Bends (of one club), the earliest first."""
        return self._file.select(
            BendRow,
            "SELECT id, club, session, bent_utc_ns, planned_bend_deg, lie_before_deg,"
            " lie_after_deg, loft_before_deg, loft_after_deg, note FROM bends"
            " WHERE NOT gone AND (? IS NULL OR club = ?) ORDER BY bent_utc_ns, id",
            (club, club),
        )
