"""Words of the fitter: kept, listed with numbers, taken back, and said instead of others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.answers import NoAnswerError
from analysis.conventions import USUAL_SOLE_MM
from analysis.plan.heads import HEAD_LIMITS
from logger.errors import UsageError
from logger.session.corrections.acts import Said, add_note, check_kept_here, keep_act
from logger.session.evidence.evidence import session_picture
from logger.session.results.bench import bent_so_far_deg
from logger.session.results.gradation import step_of
from logger.session.results.misses import Wish, take_bias
from logger.session.results.planning import bend_plan, head_of
from logger.store.acts import ActPart, WordRow
from logger.store.rows import BendRow, ClubRow, SetRow
from logger.store.store import Store

# Outside these no iron or wedge was ever measured; a slip of the finger is more likely.
# Common practice, no source.
_LIE_DEG = (50.0, 75.0)
_LOFT_DEG = (10.0, 70.0)
_MOST_BEND_DEG = 6.0
# A gauge read twice differs by less; a club that differs by more is another one, or was bent and
# nobody said so. Common practice, no source.
_AS_STORED_DEG = 0.75
# A mark has a width, and its middle may lie so near to the end of the sole.
_BEYOND_SOLE_MM = 3.0
_USUAL_STEP_DEG = 0.5


@dataclass(frozen=True, slots=True)
class Word:
    """One thing that a person said, by its number."""

    number: int
    row: WordRow
    rows: tuple[WordRow, ...]
    """All rows that were one word: a bias is taken for many clubs at once."""


def words_of(store: Store) -> list[Word]:
    """Return all words as they were said, numbered from 1, also those that were taken back."""
    words: list[Word] = []
    for row in store.acts.words_said():
        last = words[-1] if words else None
        same = row.about == "club_specs" and last is not None
        if same and last is not None and (last.row.about, last.row.at) == (row.about, row.at):
            both = (*last.rows, row)
            labels = " ".join(one.label or "" for one in both)
            words[-1] = replace(last, rows=both, row=replace(last.row, label=labels))
        else:
            words.append(Word(len(words) + 1, row, (row,)))
    return words


def take_back_word(store: Store, number: int, said: Said) -> str:
    """Let a word not count any more.

    Raises
    ------
    UsageError
        There is no such word, or it was taken back already.
    """
    word = _word(store, number)
    return keep_act(store, "words", f"word {number} taken back: {_text(word)}", _gone(word), said)


def _word(store: Store, number: int) -> Word:
    words = words_of(store)
    if not 1 <= number <= len(words):
        raise UsageError(f"there is no word {number}: 'lieboard words' lists them")
    word = words[number - 1]
    if word.row.gone:
        raise UsageError(f"word {number} was taken back already")
    for row in word.rows:
        if row.session is not None:
            check_kept_here(store, row.session)
    return word


def _text(word: Word) -> str:
    return f"{word.row.label} {word.row.words}" if word.row.label else word.row.words


def _gone(word: Word) -> list[ActPart]:
    parts = [_part(row, 1) for row in word.rows]
    if word.row.about == "bends":
        # What was measured after it was the club's from then on.
        parts.append(ActPart("club_specs", value=1, was=0, club=word.row.club, at=word.row.at))
    return parts


def _part(row: WordRow, gone: int) -> ActPart:
    own = row.session if row.about == "marks" else None
    return ActPart(
        row.about, value=gone, was=1 - gone, session=own, club=row.club, board=row.board,
        at=row.at, within=row.within,
    )  # fmt: skip


def _instead(
    store: Store, about: str, number: int | None, now_utc_ns: int
) -> tuple[list[ActPart], int]:
    """Parts that take back the word in whose place another is said, and the moment of that one.

    A correction is dated as what it corrects: what came before and after stays so.
    """
    if number is None:
        return [], now_utc_ns
    word = _word(store, number)
    if word.row.about != about:
        raise UsageError(f"word {number} is of another kind ({_text(word)}): nothing was changed")
    taken = {row.at for row in store.acts.words_said() if row.about == about}
    at = word.row.at + 1
    while at in taken:
        at += 1
    return _gone(word), at


def bend_said(store: Store, number: int) -> BendRow:
    """Return the bend that a word tells of.

    Raises
    ------
    UsageError
        There is no such word, or it is no bend.
    """
    row = _word(store, number).row
    for bend in store.readings.bends(row.club) if row.about == "bends" else ():
        if bend.bent_utc_ns == row.at:
            return bend
    raise UsageError(f"word {number} is no bend: 'lieboard words' lists them")


# -- bends ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BendWords:
    """What was bent and measured, degrees; ``planned`` None = as the bend sheet asks for now."""

    lie_before_deg: float
    lie_after_deg: float
    loft_before_deg: float | None = None
    loft_after_deg: float | None = None
    planned_deg: float | None = None
    note: str | None = None


def doubts_of_bend(store: Store, own: SetRow, club: ClubRow, bend: BendWords) -> list[str]:
    """Say what speaks against a bend, for a person to look at before it is kept.

    Raises
    ------
    UsageError
        A number cannot be.
    """
    before, after = bend.lie_before_deg, bend.lie_after_deg
    for name, value, (low, high) in (
        ("before", before, _LIE_DEG),
        ("after", after, _LIE_DEG),
        ("--loft-before", bend.loft_before_deg, _LOFT_DEG),
        ("--loft-after", bend.loft_after_deg, _LOFT_DEG),
    ):
        if value is not None and not low <= value <= high:
            raise UsageError(f"{name} {value:g}: an iron has between {low:g} and {high:g} degrees")
    if abs(after - before) > _MOST_BEND_DEG:
        raise UsageError(
            f"{before:g} to {after:g} is a bend of {after - before:+g} degrees: "
            f"no head takes more than {_MOST_BEND_DEG:g}; check the numbers"
        )
    doubts = []
    stored = club.spec.lie_deg
    if stored is not None and abs(stored - before) > _AS_STORED_DEG:
        doubts.append(
            f"{club.label} is stored with a lie of {stored:g}°, and {before:g}° was measured "
            "before the bend"
        )
    limit = HEAD_LIMITS[head_of(club.spec)].total_deg
    total = bent_so_far_deg(store, club.id) + abs(after - before)
    if total > limit + 1e-9:
        what = club.spec.head_material or "unknown material"
        doubts.append(
            f"{club.label} ({what}) is usually bent {limit:g}° in its life at most, and this "
            f"makes it {total:g}°: the head maker's limit and a qualified club technician's "
            "judgement come first"
        )
    return doubts


def planned_bend_deg(store: Store, own: SetRow, club: ClubRow) -> float | None:
    """Return what the sheet of the latest session asks for of a club; None if nothing."""
    sessions = store.sessions.all(own.id)
    if not sessions:
        return None
    try:
        plan = bend_plan(store, sessions[-1], session_picture(store, sessions[-1]))
    except NoAnswerError:
        return None
    return next((row.bend_deg or None for row in plan.rows if row.label == club.label), None)


def keep_bend(
    store: Store,
    own: SetRow,
    club: ClubRow,
    bend: BendWords,
    said: Said,
    *,
    bent_utc_ns: int | None = None,
    instead_of: int | None = None,
) -> str:
    """Keep a bend; the plan is rounded to the machine's step, which is told.

    Raises
    ------
    UsageError
        A number cannot be, or the bend lies in the future.
    """
    doubts_of_bend(store, own, club, bend)
    if (bent_utc_ns or 0) > said.utc_ns:
        raise UsageError("a bend lies in the past: check the date; nothing was changed")
    step = own.machine_increment_deg or _USUAL_STEP_DEG
    planned = bend.planned_deg
    rounded = None if planned is None else step * round(planned / step)
    if planned is not None and (abs(planned) > _MOST_BEND_DEG or not math.isfinite(planned)):
        raise UsageError(f"--planned {planned:g}: no sheet asks for that; check the number")
    with store.gathering():
        parts, at = _instead(store, "bends", instead_of, said.utc_ns)
        at = at if bent_utc_ns is None else bent_utc_ns
        store.readings.add_bend(
            club.id, bent_utc_ns=at, planned_bend_deg=rounded, lie_before_deg=bend.lie_before_deg,
            lie_after_deg=bend.lie_after_deg, loft_before_deg=bend.loft_before_deg,
            loft_after_deg=bend.loft_after_deg, note=bend.note,
        )  # fmt: skip
        parts += [
            ActPart(about, value=0, was=1, club=club.id, at=at) for about in ("bends", "club_specs")
        ]
        lies = f"{bend.lie_before_deg:g} to {bend.lie_after_deg:g}°"
        return keep_act(store, "bent", f"{club.label} bent from {lies}", parts, said)


# -- marks ------------------------------------------------------------------------------------


def check_on_sole(club: ClubRow, toe_mm: float) -> None:
    """Refuse a mark beyond the end of the sole."""
    length = club.spec.sole_length_mm
    most = (length or USUAL_SOLE_MM) / 2 + _BEYOND_SOLE_MM
    if length is None:
        # An unmeasured sole may be longer than is usual.
        most += 2 * _BEYOND_SOLE_MM
    if abs(toe_mm) > most:
        raise UsageError(
            f"{abs(toe_mm):g} mm is off the sole of {club.label}, which ends some "
            f"{most - _BEYOND_SOLE_MM:.0f} mm from its middle: measure from the middle of the sole"
        )


def keep_mark(
    store: Store,
    session: int,
    club: ClubRow,
    said: Said,
    *,
    toe_mm: float,
    u_mm: float,
    trail_mm: float | None = None,
    audits: int | None = None,
    struck_utc_ns: int | None = None,
    instead_of: int | None = None,
) -> str:
    """Keep a mark read off the sole.

    ``audits`` is the id of the board's strike of the same swing.
    """
    check_kept_here(store, session)
    check_on_sole(club, toe_mm)
    with store.gathering():
        parts, at = _instead(store, "marks", instead_of, said.utc_ns)
        at = at if struck_utc_ns is None else struck_utc_ns
        store.strikes.add_mark(
            session, club.id, struck_utc_ns=at, toe_mm=toe_mm, u_mm=u_mm, trail_mm=trail_mm,
            audits=audits,
        )  # fmt: skip
        parts.append(ActPart("marks", value=0, was=1, session=session, at=at))
        side = "toe" if toe_mm >= 0 else "heel"
        words = f"{club.label}: mark {abs(toe_mm):.1f} mm to the {side}"
        return keep_act(store, "mark", words, parts, said)


# -- overlays, misses, notes --------------------------------------------------------------------


def check_neighbours(own: SetRow, first: ClubRow, second: ClubRow) -> None:
    """Refuse clubs that do not stand next to each other in the set."""
    labels = [club.label for club in own.clubs]
    places = sorted((labels.index(first.label), labels.index(second.label)))
    if places[0] == places[1]:
        raise UsageError(f"{first.label} twice: name two clubs")
    if places[1] - places[0] > 1:
        between = ", ".join(labels[places[0] + 1 : places[1]])
        raise UsageError(
            f"{between} is between {first.label} and {second.label}: lay neighbours sole to sole, "
            "for a reading over more steps tells less of each"
        )


def keep_overlay(
    store: Store,
    own: SetRow,
    first: ClubRow,
    second: ClubRow,
    said: Said,
    *,
    offset_mm: float,
    u_mm: float,
    instead_of: int | None = None,
) -> str:
    """Keep how far the grip ends of two neighbours stand apart; return what that says."""
    check_neighbours(own, first, second)
    step = step_of(first, second, offset_mm, u_mm)
    with store.gathering():
        parts, at = _instead(store, "overlays", instead_of, said.utc_ns)
        store.readings.add_overlay(
            first.id, second.id, offset_mm=offset_mm, u_mm=u_mm, read_utc_ns=at
        )
        parts.append(ActPart("overlays", value=0, was=1, club=first.id, at=at))
        words = f"overlay of {first.label} and {second.label}: {offset_mm:+.1f} mm"
        keep_act(store, "overlay", words, parts, said)
    way = "more upright" if step.step_deg > 0 else "flatter"
    return (
        f"{second.label} is {abs(step.step_deg):.1f}° ± {step.u_deg:.1f}° {way} than {first.label}"
    )


def keep_misses(
    store: Store,
    own: SetRow,
    club: ClubRow,
    counts: Sequence[int],
    said: Said,
    *,
    instead_of: int | None = None,
) -> str:
    """Keep counts of shots (left, straight, right); return the sum of all that were counted."""
    with store.gathering():
        parts, at = _instead(store, "misses", instead_of, said.utc_ns)
        left, straight, right = counts
        store.readings.add_misses(
            club.id, left_count=left, straight_count=straight, right_count=right,
            noted_utc_ns=at,
        )  # fmt: skip
        parts.append(ActPart("misses", value=0, was=1, club=club.id, at=at))
        words = f"{club.label}: {left} left, {straight} straight, {right} right"
        keep_act(store, "misses", words, parts, said)
        rows = [row for row in store.readings.misses(own.id) if row.club == club.id]
    total = [
        sum(getattr(row, name) for row in rows)
        for name in ("left_count", "straight_count", "right_count")
    ]
    whole = "" if len(rows) == 1 else f"; {total[0]}, {total[1]} and {total[2]} in all"
    return f"{words} kept{whole}"


def keep_bias(store: Store, wish: Wish, said: Said) -> int:
    """Keep a proposed bias as the player's wish; return for how many clubs."""
    with store.gathering():
        before = {row.at for row in store.acts.words_said()}
        assert said.utc_ns not in before
        count = take_bias(store, wish, said.utc_ns)
        parts = [
            ActPart("club_specs", value=0, was=1, club=row.club, at=row.at)
            for row in store.acts.words_said()
            if row.about == "club_specs" and row.at == said.utc_ns
        ]
        if parts:
            words = f"bias of {wish.own.player.name}'s {wish.own.name} taken"
            keep_act(store, "bias", words, parts, said)
    return count


def keep_note(
    store: Store, session: int, text: str, said: Said, *, instead_of: int | None = None
) -> str:
    """Keep a remark on a session."""
    with store.gathering():
        parts, at = _instead(store, "notes", instead_of, said.utc_ns)
        return add_note(store, session, text, said, parts=parts, written_utc_ns=at)
