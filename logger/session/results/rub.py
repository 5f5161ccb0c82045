"""The board's data as a fitter knows it: every contact with its place, and the rub on the sole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.conventions import NORMAL_90, USUAL_SOLE_MM, FloatArray, cell_middles_mm
from logger.session.evidence.evidence import SessionPicture
from logger.session.evidence.footprints import FootprintReader
from logger.store.rows import SessionRow, StrikeRow
from logger.store.store import Store

# Of a board's print only this part of its peak is rub that shows: less is noise and cover.
_SHOWS_FROM = 0.05
STEP_MM = 2.0
# How far a strike's rub reaches to either side of its place front to back: a marker line on a
# sole rubs off over some millimetres. Common practice, no source; for drawing only.
_ACROSS_MM = 3.5
_HALF_WIDTH_MM = 11.0
# A centroid of cells and a mark read off the sole are placed to about this. Common practice.
_READ_U_MM = 1.0


@dataclass(frozen=True, slots=True)
class ContactLine:
    """One contact of a session as every list shows it."""

    row: StrikeRow
    label: str
    """Of its club; empty: struck while no club was up."""
    toe_mm: float | None
    """On the sole: by its print where there is one, else as read."""
    why: str
    """Why it does not count; empty where it does."""

    @property
    def used(self) -> bool:
        """Whether it counts."""
        return not self.why


@dataclass(frozen=True, slots=True)
class Rub:
    """Where a sole pressed, and how hard: parts of the hardest, on a grid of `STEP_MM`."""

    toe_mm: FloatArray
    """Middles along the sole, shape (along,)."""
    trail_mm: FloatArray
    """Middles across it, shape (across,); one middle where nothing is known front to back."""
    load: FloatArray
    """0 to 1, shape (along, across)."""
    strikes: int


@dataclass(frozen=True, slots=True)
class MarkAgreement:
    """How marks stand against the board, the same club."""

    mean_mm: float
    """Marks less board, + marks nearer to the toe."""
    half_mm: float
    """Half of the 90 % interval."""
    marks: int
    strikes: int
    paired: bool
    """Whether each mark is of the very swing of a strike."""

    @property
    def agree(self) -> bool:
        """Whether they may be the same, as far as so many can tell."""
        return abs(self.mean_mm) <= self.half_mm


def contact_lines(store: Store, session: SessionRow, picture: SessionPicture) -> list[ContactLine]:
    """List every contact of a session, in the order struck."""
    labels = {club.id: club.label for club in store.clubs.of_session(session.id)}
    reasons = {(one.source, one.id): one.reason for club in picture.clubs for one in club.seen}
    found = []
    for row in store.strikes.contacts(session.id):
        why = row.reason or ("set aside" if not row.used else "")
        why = why or reasons.get((row.source, row.id), "")
        if row.used and row.toe_mm is None and not why:
            why = "has no place: it cannot count"
        printed = picture.printed.get(row.id) if row.source == "board" else None
        place = row.toe_mm if printed is None or printed.toe_mm is None else printed.toe_mm
        found.append(ContactLine(row, labels.get(row.club or -1, ""), place, why))
    return found


def rubs_of(
    store: Store, session: SessionRow, picture: SessionPicture, label: str
) -> Mapping[int, Rub]:
    """Draw each strike of a club that counts as rub, by the strike's id.

    A strike without scans, or whose cells are not used, has none.
    """
    clubs = [one.club for one in picture.clubs]
    place = {club.id: at for at, club in enumerate(clubs)}
    club = next((one for one in clubs if one.label == label), None)
    if club is None:
        return {}
    length = club.spec.sole_length_mm or USUAL_SOLE_MM
    own = [
        row
        for row in store.strikes.contacts(session.id, club=club.id, source="board")
        if row.used and row.toe_mm is not None
    ]
    seen = FootprintReader(store, session).read(own, place)
    found: dict[int, Rub] = {}
    at = 0
    for prints in seen.prints:
        cells = prints.cells
        middles = cell_middles_mm(cells.cells, cells.pitch_mm)
        for counts in prints.counts:
            strike = seen.strikes[at]
            at += 1
            printed = picture.printed.get(strike.id)
            if printed is None or printed.centre_mm is None:
                continue
            sign = -1 if session.hand == "left" else 1
            found[strike.id] = _rub(
                np.asarray(middles - sign * printed.centre_mm), counts, length, strike.trail_mm
            )
    return found


def _rub(sole_mm: FloatArray, counts: FloatArray, length_mm: float, trail_mm: float | None) -> Rub:
    along = np.arange(-length_mm / 2 + STEP_MM / 2, length_mm / 2, STEP_MM)
    load = np.interp(along, sole_mm, np.maximum(counts, 0.0), left=0.0, right=0.0)
    load = load / max(float(load.max()), 1e-9)
    load[load < _SHOWS_FROM] = 0.0
    if trail_mm is None:
        return Rub(along, np.zeros(1), load[:, None], 1)
    across = np.arange(-_HALF_WIDTH_MM + STEP_MM / 2, _HALF_WIDTH_MM, STEP_MM)
    shape = np.exp(-0.5 * ((across - trail_mm) / _ACROSS_MM) ** 2)
    return Rub(along, across, load[:, None] * shape[None, :], 1)


def added_up(rubs: Sequence[Rub]) -> Rub | None:
    """Add strikes' rubs up; None without any.

    Where only some are known front to back, those alone are drawn so, as the others say nothing.
    """
    both = [rub for rub in rubs if rub.trail_mm.size > 1]
    same = both or list(rubs)
    if not same:
        return None
    load = np.sum([rub.load for rub in same], axis=0)
    load = load / max(float(load.max()), 1e-9)
    return Rub(same[0].toe_mm, same[0].trail_mm, load, len(same))


def agreement(lines: Sequence[ContactLine], label: str) -> MarkAgreement | None:
    """Hold a club's marks against the board's strikes; None where one of them is missing.

    Marks that audit a strike are held against that strike. Without such pairs, mean is held
    against mean: two-sample t, each sample with its own variance (Welch; its degrees of freedom are
    taken for many, the reading error of a single one counts in their place).
    """
    own = [one for one in lines if one.label == label and one.used and one.toe_mm is not None]
    board = {one.row.id: one.toe_mm for one in own if one.row.source == "board"}
    marks = [one for one in own if one.row.source == "mark"]
    if not board or not marks:
        return None
    pairs = [
        (one.toe_mm or 0.0) - (board[one.row.audits] or 0.0)
        for one in marks
        if one.row.audits in board
    ]
    if pairs:
        u = _u_of_mean(pairs, np.hypot(_READ_U_MM, _READ_U_MM))
        return MarkAgreement(float(np.mean(pairs)), NORMAL_90 * u, len(pairs), len(pairs), True)
    by_mark = [one.toe_mm or 0.0 for one in marks]
    by_board = [value or 0.0 for value in board.values()]
    u = float(np.hypot(_u_of_mean(by_mark, _READ_U_MM), _u_of_mean(by_board, _READ_U_MM)))
    mean = float(np.mean(by_mark) - np.mean(by_board))
    return MarkAgreement(mean, NORMAL_90 * u, len(by_mark), len(by_board), False)


def _u_of_mean(values: Sequence[float], least: float) -> float:
    spread = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    return max(spread, float(least)) / float(np.sqrt(len(values)))
