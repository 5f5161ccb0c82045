"""What a person corrects: acts are only ever added, and what they change is worked out from them.

An act says of rows what holds from now on. What the tables hold is the latest word that was not
taken back or, if all were, what held before the first: `Acts.work_out` puts it there, after
every act, and after a merge, for which both files first go back to what held before any act.
Strikes are told of by their records, so that what is worked out from those again stays moved.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any, TypeAlias

from logger.errors import StoreError
from logger.store.acts_schema import TAKEN_BACK
from logger.store.core import DataFile, Part, Value
from logger.store.strikes import Strikes

Again: TypeAlias = set[tuple[int, int]]
"""(session, boot): strikes there are to be worked out again from their records."""


@dataclass(frozen=True, slots=True)
class ActPart:
    """What an act says of one thing; ids are row numbers."""

    about: str
    """Name of a table."""
    field: str = "gone"
    """``gone`` (1 = taken back), ``place`` or ``choice`` of strikes and marks, or a column.

    A choice is ``use`` or ``aside``, and the reason if one was given: ``aside heard the shaft``.
    """
    value: Value = None
    was: Value = None
    session: int | None = None
    """Of strikes and marks: where they were."""
    club: int | None = None
    boot: int | None = None
    board: int | None = None
    player: int | None = None
    at: int = 0
    """The row's moment, UTC ns; of strikes the first of their records."""
    to_at: int | None = None
    """Of strikes: the last of their records."""
    within: int = 0
    """Which of several: calibrations of that moment of a board, contacts that begin in a record."""
    to_session: int | None = None
    to_club: int | None = None
    to_set: int | None = None
    was_set: int | None = None


@dataclass(frozen=True, slots=True)
class ActRow:
    """One act."""

    id: int
    act_key: str
    said_utc_ns: int
    place: str
    """Where it was said, such as ``terminal``."""
    kind: str
    words: str
    takes_back: str | None
    """Key of the act that it takes back."""
    taken_back: int
    """Whether another one takes this one back."""
    session: int | None
    """The session it is about, if it is about one."""


@dataclass(frozen=True, slots=True)
class WordRow:
    """Something that a person typed in or had measured."""

    about: str
    """Its table; with the ids and the moment it names the row in an `ActPart`."""
    label: str | None
    """Of the club, the clubs, or the board."""
    session: int | None
    club: int | None
    board: int | None
    at: int
    """When, UTC ns."""
    within: int
    gone: int
    """1: it was taken back."""
    words: str
    said_utc_ns: int
    """When it was said: earlier words keep their numbers."""


# How the row that a part is about is found; :names are the part's own columns.
_ROWS = {
    "clubs": "id = :club",
    "sets": "id = :was_set",
    "sessions": "id = :session",
    "players": "id = :player",
    # Worked out again a contact may begin elsewhere; it still holds the record.
    "strikes": "id = (SELECT id FROM strikes WHERE boot = :boot"
    " AND first_sequence <= :at AND last_sequence >= :at"
    " ORDER BY first_sequence = :at DESC, within = :within DESC, id LIMIT 1)",
    "marks": "struck_utc_ns = :at",
    "notes": "written_utc_ns = :at",
    "bends": "club = :club AND bent_utc_ns = :at",
    "overlays": "first_club = :club AND read_utc_ns = :at",
    "misses": "club = :club AND noted_utc_ns = :at",
    "club_specs": "club = :club AND from_utc_ns = :at",
    "calibrations": "id = (SELECT id FROM calibrations WHERE board = :board AND from_utc_ns = :at"
    " ORDER BY id LIMIT 1 OFFSET :within)",
}
# What a person typed in or had measured, one row a word, in the order it is dated.
_WORDS = """
SELECT about, label, session, club, board, at, within, gone, words,
  -- as they were said: a correction is dated as what it corrects
  COALESCE((SELECT MIN(acts.said_utc_ns) FROM act_parts JOIN acts ON acts.id = act_parts.act
    WHERE act_parts.about = said.about AND act_parts.at = said.at AND act_parts.field = 'gone'
      AND act_parts.was = '1' AND act_parts.club IS said.club), at) AS said_utc_ns
FROM (
SELECT 'marks' AS about, clubs.label, marks.session, NULL AS club, NULL AS board,
  struck_utc_ns AS at, 0 AS within, gone,
  printf('mark %+.1f mm', toe_mm)
    || CASE WHEN trail_mm IS NULL THEN '' ELSE printf(', %+.1f mm front to back', trail_mm) END
    || CASE WHEN audits IS NULL THEN '' ELSE ', beside a strike' END AS words
FROM marks JOIN clubs ON clubs.id = marks.club
UNION ALL
SELECT 'notes', NULL, session, NULL, NULL, written_utc_ns, 0, gone, 'note: ' || text FROM notes
UNION ALL
SELECT 'bends', clubs.label, NULL, club, NULL, bent_utc_ns, 0, gone,
  printf('bent from %g to %g°', lie_before_deg, lie_after_deg)
    || CASE WHEN planned_bend_deg IS NULL THEN ''
      ELSE printf(' (planned %+g°)', planned_bend_deg) END || COALESCE(', ' || note, '')
FROM bends JOIN clubs ON clubs.id = bends.club
UNION ALL
SELECT 'overlays', one.label || ' ' || another.label, NULL, first_club, NULL, read_utc_ns, 0, gone,
  printf('overlay %+.1f mm', offset_mm)
FROM overlays JOIN clubs AS one ON one.id = first_club JOIN clubs AS another
  ON another.id = second_club
UNION ALL
SELECT 'misses', clubs.label, NULL, club, NULL, noted_utc_ns, 0, gone,
  printf('misses: %d left, %d straight, %d right', left_count, straight_count, right_count)
FROM misses JOIN clubs ON clubs.id = misses.club
UNION ALL
SELECT 'club_specs', clubs.label, NULL, club, NULL, from_utc_ns, 0, gone,
  CASE source WHEN 'misses' THEN printf('bias %+g m', bias)
    ELSE 'measured: ' || CASE WHEN camber_mm IS NULL THEN source
      ELSE printf('camber %g mm', camber_mm) END END
FROM club_specs JOIN clubs ON clubs.id = club_specs.club WHERE source NOT IN ('set file', 'bend')
UNION ALL
SELECT 'calibrations', boards.name, NULL, NULL, board, from_utc_ns,
  (SELECT COUNT(*) FROM calibrations AS older WHERE older.board = calibrations.board
    AND older.from_utc_ns = calibrations.from_utc_ns AND older.id < calibrations.id), gone,
  CASE kind WHEN 'evening' THEN 'cell calibration' ELSE kind END
FROM calibrations JOIN boards ON boards.id = calibrations.board
) AS said ORDER BY said_utc_ns, about, at, label, within
"""
# What of a part names its row: two parts that agree in these are about the same.
NAMES = {
    "clubs": ("club",),
    "sets": ("was_set",),
    "sessions": ("session",),
    "players": ("player",),
    "strikes": ("boot", "at", "within"),
    "marks": ("at",),
    "notes": ("at",),
    "bends": ("club", "at"),
    "overlays": ("club", "at"),
    "misses": ("club", "at"),
    "club_specs": ("club", "at"),
    "calibrations": ("board", "at", "within"),
}
# Columns of ``sessions`` and ``players`` that an act may change.
_OF_SESSION = (
    "hand", "stance_mm", "stance_u_mm", "ball", "surface", "note", "ended_utc_ns",
    "sole_middle_mm", "sole_middle_u_mm",
)  # fmt: skip
_COLUMNS = {
    *(("sessions", name) for name in _OF_SESSION),
    ("players", "name"),
    ("players", "hand"),
    ("clubs", "position"),
    ("sets", "machine_increment_deg"),
    *((table, "gone") for table in TAKEN_BACK),
}
# What strikes are worked out with.
_WORKED_OUT_WITH = {"hand", "sole_middle_mm"}
_PART_COLUMNS = tuple(field.name for field in fields(ActPart))
_IN_FORCE = "NOT EXISTS (SELECT 1 FROM acts AS back WHERE back.takes_back = acts.act_key)"
_PARTS = f"""
SELECT {", ".join(f"act_parts.{name}" for name in _PART_COLUMNS)}, {_IN_FORCE} AS in_force
FROM act_parts JOIN acts ON acts.id = act_parts.act
"""
_IN_ORDER = " ORDER BY acts.said_utc_ns, acts.act_key, act_parts.part"
_OF_ACT = """
  COALESCE((SELECT COALESCE(to_session, session) FROM act_parts
    WHERE act = acts.id AND session IS NOT NULL ORDER BY part LIMIT 1), NULL)
"""


def may_be_said(about: str, field: str) -> bool:
    """Whether an act can be about this field of this table."""
    return (about, field) in _COLUMNS or (about, field) in (
        ("strikes", "place"),
        ("strikes", "choice"),
        ("marks", "place"),
        ("marks", "choice"),
        ("sessions", "set"),
        ("sets", "pivot_club"),
    )


@dataclass(frozen=True, slots=True)
class _Said:
    """A part and whether its act was not taken back."""

    part: ActPart
    in_force: bool


def _said(*, in_force: int, value: str | None, was: str | None, **columns: Any) -> _Said:  # noqa: ANN401
    part = ActPart(
        value=None if value is None else json.loads(value),
        was=None if was is None else json.loads(was),
        **columns,
    )
    return _Said(part, bool(in_force))


class Acts(Part):
    """What was corrected."""

    def __init__(self, file: DataFile, strikes: Strikes) -> None:
        super().__init__(file)
        self._strikes = strikes

    def all(self) -> list[ActRow]:
        """All acts, the earliest first."""
        return self._acts("")

    def last(self) -> ActRow | None:
        """Return the last act that says something and was not taken back."""
        every = [act for act in self.all() if act.takes_back is None and not act.taken_back]
        return every[-1] if every else None

    def _acts(self, condition: str, *parameters: Value) -> list[ActRow]:
        return self._file.select(
            ActRow,
            "SELECT id, act_key, said_utc_ns, place, kind, words, takes_back,"
            f" NOT {_IN_FORCE} AS taken_back, {_OF_ACT} AS session"
            f" FROM acts {condition} ORDER BY said_utc_ns, act_key",
            parameters,
        )

    def words_said(self) -> list[WordRow]:
        """All that a person typed in or had measured, by its date; also what was taken back."""
        return self._file.select(WordRow, _WORDS)

    def parts_of(self, act: int) -> list[ActPart]:
        """Return what an act says, in order."""
        return [one.part for one in self._parts("WHERE act_parts.act = ?", act)]

    def add(
        self, kind: str, words: str, parts: Sequence[ActPart], *, said_utc_ns: int, place: str
    ) -> Again:
        """Keep an act and put what it says in force; return what is to be worked out again.

        ``said_utc_ns`` is moved on if an act of a clock that was ahead is here already.
        """
        with self._file.writing() as connection:
            act = self._insert_act(kind, words, None, said_utc_ns, place)
            names = ("act", "part", *_PART_COLUMNS)
            connection.executemany(
                f"INSERT INTO act_parts ({', '.join(names)})"
                f" VALUES ({', '.join('?' * len(names))})",
                [
                    (act, number, *(_stored(name, getattr(part, name)) for name in _PART_COLUMNS))
                    for number, part in enumerate(parts)
                ],
            )
            return self.work_out(parts)

    def take_back(self, act: ActRow, words: str, *, said_utc_ns: int, place: str) -> Again:
        """Keep that an act does not hold; return what is to be worked out again."""
        with self._file.writing():
            self._insert_act("undo", words, act.act_key, said_utc_ns, place)
            return self.work_out(self.parts_of(act.id))

    def _insert_act(
        self, kind: str, words: str, takes_back: str | None, said_utc_ns: int, place: str
    ) -> int:
        return self._file.number(
            "INSERT INTO acts (act_key, said_utc_ns, place, kind, words, takes_back)"
            " VALUES (?, MAX(?, (SELECT COALESCE(MAX(said_utc_ns), 0) + 1 FROM acts)), ?, ?, ?, ?)"
            " RETURNING id",
            (secrets.token_hex(8), said_utc_ns, place, kind, words, takes_back),
        )

    def disagreements(self, ours: set[str], theirs: set[str]) -> list[tuple[str, Value, Value]]:
        """Say where acts of two files, by their keys, say different things of one row.

        Returns
        -------
        list of (str, Value, Value)
            What it is about, the words that hold, and those that do not.
        """
        said: dict[tuple[Any, ...], list[tuple[str, str, ActPart]]] = {}
        for act in self.all():
            sides = (act.act_key in ours, act.act_key in theirs)
            if act.takes_back is None and not act.taken_back and not all(sides):
                for part in self.parts_of(act.id):
                    names = ("boot", "at", "to_at") if _moves(part) else NAMES[part.about]
                    key = (part.about, part.field, *(getattr(part, name) for name in names))
                    side = "ours" if sides[0] else "theirs"
                    said.setdefault(key, []).append((side, act.words, part))
        found: list[tuple[str, Value, Value]] = []
        for key, words in said.items():
            side, held, last = words[-1]
            others = [one for one in words if one[0] != side and _meaning(one[2]) != _meaning(last)]
            if others and (key[0], held, others[-1][1]) not in found:
                found.append((key[0], held, others[-1][1]))
        return found

    # -- what acts say, put where it is read -------------------------------------------------

    def work_out(self, parts: Iterable[ActPart] | None = None, *, by_acts: bool = True) -> Again:
        """Let the tables hold what the acts say; return what is to be worked out again.

        Parameters
        ----------
        parts
            About what; None: about everything.
        by_acts
            False: as if there had never been an act.
        """
        with self._file.writing() as connection:
            about = [one.part for one in self._parts("")] if parts is None else list(parts)
            again: Again = set()
            refile: set[int] = set()
            # Sessions first: under which set's clubs the rest stands follows from them.
            for part in sorted(_each_once(about), key=lambda one: one.about != "sessions"):
                if part.field == "place" and part.about == "marks":
                    refile |= self._place_mark(connection, part, by_acts)
                elif part.field == "set":
                    refile |= self._put_set(connection, part, by_acts)
                elif part.field == "pivot_club":
                    self._put_pivot(connection, part, by_acts)
                elif part.field == "choice":
                    self._put_choice(connection, part, by_acts)
                else:
                    again |= self._put_column(connection, part, by_acts)
            moves = [one for one in about if _moves(one)]
            for boot in sorted({one.boot for one in moves if one.boot}):
                moved = self._place_records(connection, boot, by_acts)
                again |= moved
                refile |= {session for session, _ in moved}
            refile |= {one.session for one in moves if one.session}
            for session in sorted(refile):
                self._use_labels(connection, session)
                self._strikes.refile(session, moved=by_acts)
        return again

    def _parts(self, condition: str, *parameters: Value) -> list[_Said]:
        return self._file.select(_said, f"{_PARTS} {condition} {_IN_ORDER}", parameters)

    def _about(self, part: ActPart) -> list[_Said]:
        """Every part about the same field of the same row, the earliest first."""
        names = NAMES[part.about]
        return self._parts(
            "WHERE act_parts.about = ? AND act_parts.field = ? AND "
            + " AND ".join(f"act_parts.{name} = ?" for name in names),
            part.about,
            part.field,
            *(getattr(part, name) for name in names),
        )

    def _put_column(self, connection: sqlite3.Connection, part: ActPart, by_acts: bool) -> Again:
        if (part.about, part.field) not in _COLUMNS:
            raise StoreError(
                f"{self._file.path}: an act is about {part.about}.{part.field}: report this"
            )
        said = self._about(part)
        held = [one.part.value for one in said if one.in_force and by_acts]
        value = held[-1] if held else said[0].part.was
        names = ("session", "club", "board", "player", "was_set")
        key = {name: getattr(part, name) for name in names}
        changed = connection.execute(
            f"UPDATE {part.about} SET {part.field} = :value WHERE {_ROWS[part.about]}"
            f" AND {part.field} IS NOT :value",
            {"value": value, "at": part.at, "within": part.within, **key},
        ).rowcount
        if changed and part.about == "sessions" and part.field in _WORKED_OUT_WITH:
            return self._boots_in(part.session)
        return set()

    def _boots_in(self, session: int | None) -> Again:
        return set(
            self._file.select(
                lambda session, boot: (int(session), int(boot)),
                "SELECT DISTINCT session, boot FROM records WHERE session = ?",
                (session,),
            )
        )

    def _put_set(self, connection: sqlite3.Connection, part: ActPart, by_acts: bool) -> set[int]:
        said = self._about(part)
        held = [one.part.to_set for one in said if one.in_force and by_acts]
        own = held[-1] if held else said[0].part.was_set
        if own is None or part.session is None:
            return set()
        connection.execute(
            'UPDATE sessions SET "set" = ? WHERE id = ? AND "set" <> ?', (own, part.session, own)
        )
        return {part.session}

    def _put_pivot(self, connection: sqlite3.Connection, part: ActPart, by_acts: bool) -> None:
        said = self._about(part)
        held = [one.part.to_club for one in said if one.in_force and by_acts]
        pivot = held[-1] if held else said[0].part.club
        connection.execute(
            "UPDATE sets SET pivot_club = :pivot WHERE id = :own AND pivot_club IS NOT :pivot",
            {"pivot": pivot, "own": part.was_set},
        )

    def _put_choice(self, connection: sqlite3.Connection, part: ActPart, by_acts: bool) -> None:
        said = self._about(part)
        held = [one.part.value for one in said if one.in_force and by_acts]
        value = held[-1] if held else said[0].part.was
        choice, _, reason = str(value or "").partition(" ")
        connection.execute(
            f"UPDATE {part.about} SET fitter_choice = :choice, fitter_reason = :reason"
            f" WHERE {_ROWS[part.about]}",
            {
                "choice": choice or None, "reason": reason or None,
                "boot": part.boot, "at": part.at, "within": part.within,
            },
        )  # fmt: skip

    def _place_mark(self, connection: sqlite3.Connection, part: ActPart, by_acts: bool) -> set[int]:
        said = self._about(part)
        held = [one.part for one in said if one.in_force and by_acts]
        first = said[0].part
        session = held[-1].to_session if held else first.session
        club = held[-1].to_club if held else first.club
        if session is None or club is None:
            return set()
        connection.execute(
            "UPDATE marks SET session = :session, club = :club WHERE struck_utc_ns = :at"
            " AND (session <> :session OR club <> :club)",
            {"session": session, "club": club, "at": part.at},
        )
        return {session}

    def _place_records(self, connection: sqlite3.Connection, boot: int, by_acts: bool) -> Again:
        """Let records of a boot be in the session that they were moved to."""
        said = self._parts(
            "WHERE act_parts.about = 'strikes' AND act_parts.field = 'place'"
            " AND act_parts.boot = ?"
            " AND act_parts.boot IN (SELECT boot FROM act_parts WHERE session <> to_session)",
            boot,
        )
        spans = [(one, one.part.at, one.part.to_at or one.part.at) for one in said]
        cuts = sorted({cut for _, first, last in spans for cut in (first, last + 1)})
        every = {s for one in said for s in (one.part.session, one.part.to_session) if s}
        own = json.dumps(sorted(every))
        again: Again = set()
        for first, end in pairwise(cuts):
            over = [one for one, low, high in spans if low <= first and end - 1 <= high]
            if not over:
                continue
            held = [one.part.to_session for one in over if one.in_force and by_acts]
            session = held[-1] if held else over[0].part.session
            if session is None:
                continue
            span = {"session": session, "boot": boot, "first": first, "last": end - 1, "own": own}
            elsewhere = (
                "boot = :boot AND {sequence} BETWEEN :first AND :last AND session <> :session"
                " AND session IN (SELECT value FROM json_each(:own))"
            )
            for table, sequence in (("strikes", "first_sequence"), ("records", "sequence")):
                there = elsewhere.format(sequence=sequence)
                again |= {
                    (int(found), boot)
                    for (found,) in connection.execute(
                        f"SELECT DISTINCT session FROM {table} WHERE {there}", span
                    ).fetchall()
                }
                if connection.execute(
                    f"UPDATE {table} SET session = :session WHERE {there}", span
                ).rowcount:
                    again.add((session, boot))
        return again

    def _use_labels(self, connection: sqlite3.Connection, session: int) -> None:
        """Let what stands under clubs of another set stand under those of this label here."""
        for table in ("turns", "marks", "losses", "strikes"):
            here = (
                "(SELECT here.id FROM clubs AS told JOIN clubs AS here"
                ' ON here.label = told.label AND here."set" ='
                ' (SELECT "set" FROM sessions WHERE sessions.id = :session)'
                f" WHERE told.id = {table}.club)"
            )
            connection.execute(
                f"UPDATE {table} SET club = {here} WHERE session = :session"
                f" AND {here} IS NOT NULL AND club <> {here}",
                {"session": session},
            )


def _moves(part: ActPart) -> bool:
    return (part.about, part.field) == ("strikes", "place")


def _meaning(part: ActPart) -> tuple[Value, ...]:
    return part.value, part.to_session, part.to_club, part.to_set


def _each_once(parts: Iterable[ActPart]) -> list[ActPart]:
    """One part for each field of each row, but for those that move strikes."""
    found: dict[tuple[Any, ...], ActPart] = {}
    for part in parts:
        if not _moves(part):
            key = tuple(getattr(part, name) for name in NAMES[part.about])
            found[part.about, part.field, key] = part
    return list(found.values())


def _stored(name: str, value: Value) -> Value:
    return json.dumps(value) if name in ("value", "was") and value is not None else value
