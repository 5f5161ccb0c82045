"""Strikes filed under their clubs, marks read off the sole, and which of them count."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import fields

from logger.errors import StoreError
from logger.store.core import Part, Value
from logger.store.rows import ClubCount, NewStrike, StrikeRow

_COLUMNS = ", ".join(field.name for field in fields(StrikeRow))
# The club that was up when it was struck.
_CLUB_UP = """
(SELECT turns.club FROM turns WHERE turns.session = {session} AND turns.from_utc_ns <= {moment}
 ORDER BY turns.from_utc_ns DESC, turns.id DESC LIMIT 1)
"""
# The club that a person moved records to since: the one of that label in the session's set.
_MOVED_TO = """
(SELECT here.id FROM act_parts AS moved JOIN acts ON acts.id = moved.act
 JOIN clubs AS told ON told.id = moved.to_club
 JOIN sessions AS own ON own.id = {session}
 JOIN clubs AS here ON here."set" = own."set" AND here.label = told.label
 WHERE moved.boot = {boot} AND moved.about = 'strikes' AND moved.field = 'place'
  AND {sequence} BETWEEN moved.at AND moved.to_at
  AND NOT EXISTS (SELECT 1 FROM acts AS back WHERE back.takes_back = acts.act_key)
 ORDER BY acts.said_utc_ns DESC, acts.act_key DESC, moved.part DESC LIMIT 1)
"""
# The best that can be known of when records were struck that are gone: just before the next one.
_AFTER_LOSS = """
(SELECT records.struck_utc_ns FROM records WHERE records.boot = losses.boot
 AND records.session = losses.session AND records.sequence > losses.to_sequence
 ORDER BY records.sequence LIMIT 1)
"""
_LOST_UP = _CLUB_UP.format(session="losses.session", moment=_AFTER_LOSS)
_LOST_MOVED_TO = _MOVED_TO.format(
    session="losses.session", boot="losses.boot", sequence="losses.to_sequence"
)
# The moment of a loss that is not in the table, and the club that was up then.
_UP_AFTER = f"""
WITH losses (boot, session, to_sequence) AS (VALUES (?, ?, ?))
SELECT {_AFTER_LOSS} IS NOT NULL, COALESCE({_LOST_MOVED_TO}, {_LOST_UP})
FROM losses
"""
_FILE = f"""
INSERT INTO strikes (session, boot, first_sequence, last_sequence, within, struck_utc_ns, kind,
  toe_mm, board_mm, trail_mm, load, span_us, flags, method_version, rule_reason, club)
VALUES (:session, :boot, :first_sequence, :last_sequence, :within, :struck_utc_ns, :kind,
  :toe_mm, :board_mm, :trail_mm, :load, :span_us, :flags, :method_version, :rule_reason,
  COALESCE({_MOVED_TO.format(session=":session", boot=":boot", sequence=":first_sequence")},
    {_CLUB_UP.format(session=":session", moment=":struck_utc_ns")}))
ON CONFLICT (boot, first_sequence, within) DO UPDATE SET session = excluded.session,
  last_sequence = excluded.last_sequence, struck_utc_ns = excluded.struck_utc_ns,
  kind = excluded.kind, toe_mm = excluded.toe_mm, board_mm = excluded.board_mm,
  trail_mm = excluded.trail_mm, load = excluded.load, span_us = excluded.span_us,
  flags = excluded.flags, method_version = excluded.method_version,
  rule_reason = excluded.rule_reason, club = excluded.club
RETURNING id
"""
_STRIKE_FIELDS = tuple(field.name for field in fields(NewStrike))
# "Usual" looks back over 15 strikes (`analysis.strikes.sorting.SortRules.usual_over`); where so
# many contacts hold fewer than that, something is very wrong with the board anyway.
_LOOK_BACK_CONTACTS = 200


class Strikes(Part):
    """The part of the store that knows contacts."""

    def file(
        self,
        session: int,
        boot: int,
        strikes: Sequence[NewStrike],
        *,
        from_sequence: int,
        to_sequence: int,
    ) -> list[int]:
        """Replace what was worked out from a span of records; return the ids, in the order given.

        All contacts of this session that begin in records ``from_sequence`` to ``to_sequence``
        (inclusive) of the boot are replaced by ``strikes``. What the fitter said of one holds for
        the one that now takes its records, and so do the marks that audit it. The club is the
        one that was up.
        """
        outside = [s for s in strikes if not from_sequence <= s.first_sequence <= to_sequence]
        if outside:
            raise ValueError(f"a strike begins outside the span that is filed: {outside[0]}")
        begun: Counter[int] = Counter()
        ids: list[int] = []
        with self._file.writing() as connection:
            before = connection.execute(
                "SELECT id, first_sequence, last_sequence FROM strikes"
                " WHERE session = ? AND boot = ? AND first_sequence BETWEEN ? AND ? ORDER BY id",
                (session, boot, from_sequence, to_sequence),
            ).fetchall()
            for strike in strikes:
                within = begun[strike.first_sequence]
                begun[strike.first_sequence] += 1
                ids.append(self._file.number(_FILE, _parameters(session, boot, within, strike)))
            kept = set(ids)
            for old, first, last in before:
                if old not in kept:
                    self._hand_over(connection, old, _heir(ids, strikes, first, last))
        return ids

    def _hand_over(self, connection: sqlite3.Connection, old: int, heir: int | None) -> None:
        """Pass a person's word on a contact that is no more to the one that took its records."""
        if heir is not None:
            connection.execute(
                "UPDATE strikes SET (fitter_choice, fitter_reason) ="
                " (SELECT fitter_choice, fitter_reason FROM strikes WHERE id = ?)"
                " WHERE id = ? AND fitter_choice IS NULL",
                (old, heir),
            )
            connection.execute("UPDATE marks SET audits = ? WHERE audits = ?", (heir, old))
        connection.execute("DELETE FROM strikes WHERE id = ?", (old,))

    def before(self, session: int, boot: int, sequence: int) -> list[tuple[int, str]]:
        """Return where the contacts that began up to a record begin and what they were.

        The latest first, and no more of them than what follows may depend on.
        """
        rows = self._file.select(
            lambda first_sequence, kind: (int(first_sequence), str(kind)),
            "SELECT first_sequence, kind FROM strikes WHERE session = ? AND boot = ?"
            " AND first_sequence <= ? ORDER BY first_sequence DESC, within DESC LIMIT ?",
            (session, boot, sequence, _LOOK_BACK_CONTACTS),
        )
        return rows if len(rows) < _LOOK_BACK_CONTACTS else rows[:-1]

    def first_unfiled(self, session: int, boot: int) -> int | None:
        """Lowest record of a boot in a session that no contact has and that pressed nothing."""
        row = self._file.one(
            "SELECT MIN(sequence) FROM records WHERE session = ? AND boot = ? AND"
            " CASE kind WHEN 'button' THEN NOT EXISTS (SELECT 1 FROM presses"
            "  WHERE presses.boot = records.boot AND presses.sequence = records.sequence)"
            " ELSE sequence > COALESCE((SELECT last_sequence FROM strikes"
            "  WHERE strikes.boot = records.boot AND first_sequence <= records.sequence"
            "  ORDER BY first_sequence DESC LIMIT 1), -1) END",
            (session, boot),
        )
        return None if row is None else row[0]

    def methods(self, session: int, boot: int) -> list[tuple[str, int, int]]:
        """Return what contacts were worked out with, and when the first and last were struck."""
        return self._file.select(
            lambda method_version, first_ns, last_ns: (method_version, first_ns, last_ns),
            "SELECT method_version, MIN(struck_utc_ns) AS first_ns, MAX(struck_utc_ns) AS last_ns"
            " FROM strikes WHERE session = ? AND boot = ? GROUP BY method_version ORDER BY 2",
            (session, boot),
        )

    def refile(self, session: int, *, moved: bool = True) -> int:
        """Put every strike and loss under the club that was up; return how many strikes moved.

        For when turns changed, or when a record came that says when others before it were lost.
        What a person moved since stands where it was moved to, unless ``moved`` is False.
        """
        club_up = _CLUB_UP.format(session="strikes.session", moment="strikes.struck_utc_ns")
        lost_up = _LOST_UP
        if moved:
            moved_to = _MOVED_TO.format(
                session="strikes.session", boot="strikes.boot", sequence="strikes.first_sequence"
            )
            club_up = f"COALESCE({moved_to}, {club_up})"
            lost_up = f"COALESCE({_LOST_MOVED_TO}, {lost_up})"
        with self._file.writing() as connection:
            connection.execute(
                f"UPDATE losses SET club = {lost_up}"
                f" WHERE session = ? AND {_AFTER_LOSS} IS NOT NULL AND club IS NOT {lost_up}",
                (session,),
            )
            return connection.execute(
                f"UPDATE strikes SET club = {club_up} WHERE session = ? AND club IS NOT {club_up}",
                (session,),
            ).rowcount

    def add_mark(
        self,
        session: int,
        club: int,
        *,
        struck_utc_ns: int,
        toe_mm: float,
        u_mm: float,
        trail_mm: float | None = None,
        audits: int | None = None,
    ) -> int:
        """Keep a mark read off the sole; return its id.

        ``u_mm`` is how well it could be read (standard uncertainty), ``audits`` the id of the
        board's strike of the same swing.
        """
        with self._file.writing():
            return self._file.number(
                "INSERT INTO marks (session, club, struck_utc_ns, toe_mm, trail_mm, u_mm, audits)"
                " VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id",
                (session, club, struck_utc_ns, toe_mm, trail_mm, u_mm, audits),
            )

    def contacts(
        self,
        session: int,
        *,
        club: int | None = None,
        source: str | None = None,
        make: Callable[..., StrikeRow] = StrikeRow,
    ) -> list[StrikeRow]:
        """Strikes and marks of a session (under one club, from one source) by time struck.

        ``make`` is for who asks often: it may hand out the row that it made of the same cells.
        """
        return self._contacts(
            "session = ? AND (? IS NULL OR club = ?) AND (? IS NULL OR source = ?)"
            " ORDER BY struck_utc_ns, source, id",
            (session, club, club, source, source),
            make,
        )

    def get(self, source: str, contact: int) -> StrikeRow:
        """Return a strike (source ``board``) or a mark (``mark``) by its id."""
        table = "strikes" if source == "board" else "marks"
        rows = self._contacts(
            f"session = (SELECT session FROM {table} WHERE id = ?) AND source = ? AND id = ?",
            (contact, source, contact),
        )
        if not rows:
            raise StoreError(f"{self._file.path}: there is no {source} contact {contact}")
        return rows[0]

    def _contacts(
        self,
        rest: str,
        parameters: Sequence[Value],
        make: Callable[..., StrikeRow] = StrikeRow,
    ) -> list[StrikeRow]:
        return self._file.select_in_order(
            make, f"SELECT {_COLUMNS} FROM numbered_contacts WHERE {rest}", parameters
        )

    def counts_by_club(self, session: int) -> list[ClubCount]:
        """How much stands under each club of a session, by place in the set."""
        return self._file.select(
            ClubCount,
            "SELECT counts.club, counts.source, counts.used, counts.set_aside, counts.lost"
            " FROM contact_counts AS counts LEFT JOIN clubs ON clubs.id = counts.club"
            " WHERE counts.session = ? ORDER BY clubs.position, counts.club, counts.source",
            (session,),
        )

    def counts_by_session(
        self, sessions: Sequence[int] | None = None
    ) -> dict[int, tuple[int, int]]:
        """By session: contacts that count, and contacts set aside; of all, or only of these.

        Of a few of many it takes a fraction of the look at all of the file.
        """

        def counted(which: str, values: Sequence[Value] = ()) -> list[tuple[int, tuple[int, int]]]:
            return self._file.select(
                lambda session, used, aside: (session, (used, aside)),
                "SELECT session, SUM(set_aside IS NULL) AS used,"
                f" SUM(set_aside IS NOT NULL) AS aside FROM contacts {which} GROUP BY session",
                values,
            )

        if sessions is None:
            return dict(counted(""))
        return dict(row for one in sessions for row in counted("WHERE session = ?", (one,)))

    def within(self, contact: StrikeRow) -> int:
        """Which of the contacts that begin in the same record a strike is, from 0."""
        row = self._file.one("SELECT within FROM strikes WHERE id = ?", (contact.id,))
        return 0 if row is None else int(row[0])

    def set_aside(self, contact: StrikeRow, reason: str) -> StrikeRow:
        """Let a contact not count, by the fitter's word; return it as it is now."""
        return self._decide(contact, "aside", reason)

    def bring_back(self, contact: StrikeRow, reason: str | None = None) -> StrikeRow:
        """Let a contact count again, whoever set it aside; return it as it is now."""
        return self._decide(contact, "use", reason)

    def take_back_last(self, session: int, *, club: int | None = None) -> StrikeRow | None:
        """Set aside the last contact that counts (under one club); None if there is none."""
        with self._file.writing():
            rows = self._contacts(
                "session = ? AND (? IS NULL OR club = ?) AND set_aside IS NULL"
                " ORDER BY struck_utc_ns DESC, source DESC, id DESC LIMIT 1",
                (session, club, club),
            )
            return self.set_aside(rows[0], "taken back") if rows else None

    def _decide(self, contact: StrikeRow, choice: str, reason: str | None) -> StrikeRow:
        table = "strikes" if contact.source == "board" else "marks"
        with self._file.writing() as connection:
            connection.execute(
                f"UPDATE {table} SET fitter_choice = ?, fitter_reason = ? WHERE id = ?",
                (choice, reason, contact.id),
            )
            return self.get(contact.source, contact.id)


def club_up_after(
    connection: sqlite3.Connection, boot: int, session: int, to_sequence: int
) -> tuple[int | None] | None:
    """Return the club that was up when records up to one were lost, as `Strikes.refile` puts it.

    None if nothing came of the boot in this session since, which says nothing of the club; (None,)
    if no club was up yet.
    """
    known, club = connection.execute(_UP_AFTER, (boot, session, to_sequence)).fetchone()
    return (club,) if known else None


def _parameters(session: int, boot: int, within: int, strike: NewStrike) -> dict[str, Value]:
    # Not asdict: copying what is plain already took a third of the work of filing.
    own: dict[str, Value] = {name: getattr(strike, name) for name in _STRIKE_FIELDS}
    return {"session": session, "boot": boot, "within": within, **own}


def _heir(ids: Sequence[int], strikes: Sequence[NewStrike], first: int, last: int) -> int | None:
    """Id of the first strike that shares a record with ``first`` to ``last``."""
    for strike_id, strike in zip(ids, strikes, strict=True):
        if strike.first_sequence <= last and strike.last_sequence >= first:
            return strike_id
    return None
