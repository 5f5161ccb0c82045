"""Counts, means and spreads over an archive, by what is asked for; DuckDB does the adding up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from logger.archive.layout import INDEX, Place, read_index
from logger.errors import UsageError
from logger.extras import extra

# What rows can be put together by, and the column that says it.
GROUPS: Final[dict[str, str]] = {
    "shop": "live.shop",
    "bay": "live.bay",
    "month": "live.month",
    "player": "live.player",
    "set": 'live."set"',
    "session": "live.started_utc_ns",
    "club": "strikes.club",
    "source": "strikes.source",
}
_SUMS = """
  COUNT(DISTINCT strikes.copy) AS sessions,
  COUNT(*) FILTER (WHERE strikes.used) AS used,
  COUNT(*) FILTER (WHERE NOT strikes.used) AS set_aside,
  AVG(strikes.toe_mm) FILTER (WHERE strikes.used) AS mean_toe_mm,
  STDDEV_SAMP(strikes.toe_mm) FILTER (WHERE strikes.used) AS sd_toe_mm,
  MIN(strikes.toe_mm) FILTER (WHERE strikes.used) AS least_toe_mm,
  MAX(strikes.toe_mm) FILTER (WHERE strikes.used) AS greatest_toe_mm
"""


@dataclass(frozen=True, slots=True)
class SummaryRow:
    """One group of contacts."""

    group: tuple[str | int | None, ...]
    """Values of what was asked for, in that order; a session is the moment it began."""
    sessions: int
    used: int
    set_aside: int
    mean_toe_mm: float | None
    """Plain mean of what counts: every contact weighs the same, mishits included."""
    sd_toe_mm: float | None
    least_toe_mm: float | None
    greatest_toe_mm: float | None

    @property
    def u_toe_mm(self) -> float | None:
        """Standard uncertainty of the mean if all contacts were of one kind."""
        return None if self.sd_toe_mm is None else float(self.sd_toe_mm / self.used**0.5)


class Summaries:
    """An archive that is asked again and again; what it read of the files is remembered.

    For one moment: what is written into the archive later is not seen.
    """

    def __init__(self, folder: Path) -> None:
        with extra("archive"):
            import duckdb
        read_index(folder)
        self._folder = folder
        # In memory and alone: no file of its own, no extension fetched from anywhere.
        self._db: Any = duckdb.connect(
            ":memory:",
            config={"autoinstall_known_extensions": False, "autoload_known_extensions": False},
        )
        self._db.execute("SET parquet_metadata_cache = true")
        self._db.execute(
            "CREATE TABLE live AS SELECT * FROM read_parquet(?)", [str(folder / INDEX)]
        )
        # However a person types a name: as it is written here, by its small letters.
        self._spelled: dict[str, dict[str, list[str]]] = {}
        for name in ("player", "shop", "month"):
            spelled = self._spelled.setdefault(name, {})
            for (value,) in self._db.execute(f"SELECT DISTINCT {name} FROM live").fetchall():
                spelled.setdefault(value.lower(), []).append(value)

    def close(self) -> None:
        """Let go of the archive."""
        self._db.close()

    def __enter__(self) -> Summaries:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def by(
        self,
        groups: Sequence[str],
        *,
        player: str | None = None,
        club: str | None = None,
        shop: str | None = None,
        month: str | None = None,
    ) -> list[SummaryRow]:
        """Add up contacts by ``groups`` (of `GROUPS`); only those that are asked for.

        Raises
        ------
        UsageError
            There is no such way to group.
        """
        unknown = [name for name in groups if name not in GROUPS]
        if unknown or not groups:
            raise UsageError(
                f"--by {','.join(groups)}: name some of {', '.join(GROUPS)}, with commas between"
            )
        conditions, given = ["true"], []
        for name, wanted in (("player", player), ("shop", shop), ("month", month)):
            if wanted is not None:
                spelled = self._spelled[name].get(wanted.lower(), [])
                marks = ", ".join("?" * len(spelled)) or "NULL"
                conditions.append(f"{GROUPS[name]} IN ({marks})")
                given += spelled
        places = self._db.execute(
            "SELECT DISTINCT month, shop, run FROM live"
            f" WHERE contacts > 0 AND {' AND '.join(conditions)} ORDER BY ALL",
            given,
        ).fetchall()
        if not places:
            return []
        files = [str(Place(*place).path(self._folder, "strikes")) for place in places]
        parameters: list[Any] = [files, *given]
        if player is not None:
            # Said of the contacts too, so that whole groups of rows are passed over.
            spelled = self._spelled["player"][player.lower()]
            conditions.append(f"strikes.player IN ({', '.join('?' * len(spelled))})")
            parameters += spelled
        if club is not None:
            conditions.append("lower(strikes.club) = lower(?)")
            parameters.append(club)
        columns = ", ".join(GROUPS[name] for name in groups)
        found = self._db.execute(
            f"SELECT {columns}, {_SUMS} FROM read_parquet(?, hive_partitioning = false) AS strikes"
            f" JOIN live ON live.copy = strikes.copy WHERE {' AND '.join(conditions)}"
            f" GROUP BY {columns} ORDER BY {columns}",
            parameters,
        ).fetchall()
        return [SummaryRow(tuple(row[: len(groups)]), *row[len(groups) :]) for row in found]
