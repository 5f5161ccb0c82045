"""What was measured of a board on the bench, dated: raw records stay as they came."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.store.core import Part


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """One calibration of one board."""

    id: int
    board: int
    kind: str
    """What was measured, such as ``evening``."""
    from_utc_ns: int
    """It holds for what is struck from this moment on, until the next of its kind."""
    method_version: str
    content: dict[str, Any]


def _calibration_row(*, content: str, **columns: Any) -> CalibrationRow:  # noqa: ANN401
    return CalibrationRow(content=json.loads(content), **columns)


class Calibrations(Part):
    """The part of the store that knows what was measured of boards."""

    def add(
        self,
        board: int,
        kind: str,
        content: Mapping[str, Any],
        *,
        from_utc_ns: int,
        method_version: str,
    ) -> int:
        """Keep a calibration; return its id. Earlier ones stay, for what was struck before."""
        return self._file.insert(
            "calibrations",
            {
                "board": board,
                "kind": kind,
                "from_utc_ns": from_utc_ns,
                "method_version": method_version,
                "content": json.dumps(content, allow_nan=False),
            },
        )

    def of_board(self, board: int, kind: str) -> list[CalibrationRow]:
        """Return calibrations of one kind of a board, the earliest first."""
        return self._file.select(
            _calibration_row,
            "SELECT id, board, kind, from_utc_ns, method_version, content FROM calibrations"
            " WHERE NOT gone AND board = ? AND kind = ? ORDER BY from_utc_ns, id",
            (board, kind),
        )
