"""Players, their sets and clubs, and what was known of each club when."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, fields
from typing import Any

from logger.errors import StoreError
from logger.setfiles.clubs import SPEC_GROUPS, ClubSpec, HandName, SetFile
from logger.store.core import DataFile, Part
from logger.store.rows import ClubRow, PlayerRow, SetName, SetRow

_SPEC_COLUMNS = ", ".join(field.name for field in fields(ClubSpec))
# Source of what a set file says of a club.
FROM_FILE = "set file"
# Greater than any date in nanoseconds: "now".
_END_OF_TIME = 2**63 - 1


def merge_specs(specs: Iterable[ClubSpec]) -> ClubSpec:
    """Tell what holds after all of ``specs``, the oldest first: the latest value of each group."""
    merged: dict[str, Any] = {}
    for spec in specs:
        for group in SPEC_GROUPS:
            if getattr(spec, group[0]) is not None:
                merged.update({name: getattr(spec, name) for name in group})
    return ClubSpec(**merged)


def changed_spec(known: ClubSpec, seen: ClubSpec) -> ClubSpec | None:
    """Only those groups of ``seen`` that tell something new; None if none does."""
    old, new = asdict(known), asdict(seen)
    changed: dict[str, Any] = {}
    for group in SPEC_GROUPS:
        if any(new[name] is not None and new[name] != old[name] for name in group):
            changed.update({name: new[name] for name in group})
    return ClubSpec(**changed) if changed else None


class Clubs(Part):
    """Clubs, and what was known of each when."""

    def get(self, club: int, *, at_utc_ns: int | None = None) -> ClubRow:
        """Return a club, also one that is no longer in its set."""
        found = self._clubs("id = ?", (club,), at_utc_ns)
        if not found:
            raise StoreError(f"{self._file.path}: there is no club {club}")
        return found[0]

    def of_set(self, set_id: int, *, at_utc_ns: int | None = None) -> list[ClubRow]:
        """Return the clubs that are in a set now, in their order."""
        return self._clubs('"set" = ? AND position IS NOT NULL', (set_id,), at_utc_ns)

    def ever_in(self, set_id: int) -> list[ClubRow]:
        """All clubs that ever were in a set, those in it now first."""
        return self._clubs('"set" = ?', (set_id,), None)

    def of_session(self, session: int, *, at_utc_ns: int | None = None) -> tuple[ClubRow, ...]:
        """Clubs of a session's set, then those that left it and have contacts in the session."""
        return tuple(
            self._clubs(
                'position IS NOT NULL AND "set" = (SELECT "set" FROM sessions WHERE id = ?)'
                " OR id IN (SELECT club FROM contacts WHERE session = ?)",
                (session, session),
                at_utc_ns,
            )
        )

    def _clubs(self, condition: str, keys: Sequence[int], at_utc_ns: int | None) -> list[ClubRow]:
        with self._file.lock:
            rows = self._file.select(
                lambda **columns: columns,
                f'SELECT id, "set", label, position FROM clubs WHERE {condition}'
                " ORDER BY position IS NULL, position, id",
                keys,
            )
            # All at once: a page asks for the clubs of a set at every strike.
            parts: dict[int, list[ClubSpec]] = {row["id"]: [] for row in rows}
            for club, part in self._file.select_in_order(
                lambda club, *spec: (club, ClubSpec(*spec)),
                f"SELECT club, {_SPEC_COLUMNS} FROM club_specs"
                f" WHERE NOT gone AND club IN (SELECT id FROM clubs WHERE {condition})"
                " AND from_utc_ns <= ?"
                " ORDER BY from_utc_ns, id",
                (*keys, _END_OF_TIME if at_utc_ns is None else at_utc_ns),
            ):
                parts[club].append(part)
            return [ClubRow(**row, spec=merge_specs(parts[row["id"]])) for row in rows]

    def add(self, set_id: int, labels: Iterable[str]) -> None:
        """Know clubs of these labels, in no place of the set yet; those that are here stay."""
        with self._file.writing() as connection:
            connection.executemany(
                'INSERT INTO clubs ("set", label) VALUES (?, ?)'
                ' ON CONFLICT ("set", label) DO NOTHING',
                [(set_id, label) for label in labels],
            )

    def add_spec(self, club: int, spec: ClubSpec, *, at_utc_ns: int, source: str) -> bool:
        """Note what was measured or wished for a club at a date; False if none of it is new.

        ``source`` says where it comes from: a set file, a measurement, a bend.
        """
        with self._file.writing():
            changed = changed_spec(self.spec_of(club, at_utc_ns=at_utc_ns), spec)
            if changed is None:
                return False
            self.put_spec(club, changed, at_utc_ns=at_utc_ns, source=source)
        return True

    def put_spec(self, club: int, spec: ClubSpec, *, at_utc_ns: int, source: str) -> None:
        """Note what holds for a club from a date on, whether it is new or not."""
        row = {"club": club, "from_utc_ns": at_utc_ns, "source": source, **asdict(spec)}
        self._file.insert("club_specs", row)

    def spec_dated(self, club: int, at_utc_ns: int) -> bool:
        """Whether anything is dated to this very moment for a club, also what was taken back."""
        sql = "SELECT 1 FROM club_specs WHERE club = ? AND from_utc_ns = ?"
        return self._file.one(sql, (club, at_utc_ns)) is not None

    def spec_of(self, club: int, *, at_utc_ns: int | None = None) -> ClubSpec:
        """Return what is known of a club, or was at a date."""
        return merge_specs(
            self._file.select_in_order(
                ClubSpec,
                f"SELECT {_SPEC_COLUMNS} FROM club_specs WHERE NOT gone AND club = ?"
                " AND from_utc_ns <= ? ORDER BY from_utc_ns, id",
                (club, _END_OF_TIME if at_utc_ns is None else at_utc_ns),
            )
        )

    def spec_history(self, club: int) -> list[tuple[int, str, ClubSpec]]:
        """Every change of a club: (from_utc_ns, source, only what changed), the oldest first."""
        return self._file.select(
            lambda from_utc_ns, source, **spec: (from_utc_ns, source, ClubSpec(**spec)),
            f"SELECT from_utc_ns, source, {_SPEC_COLUMNS} FROM club_specs"
            " WHERE NOT gone AND club = ? ORDER BY from_utc_ns, id",
            (club,),
        )


class Sets(Part):
    """Players and their sets."""

    def __init__(self, file: DataFile, clubs: Clubs) -> None:
        super().__init__(file)
        self._clubs = clubs

    def import_file(self, seen: SetFile, *, at_utc_ns: int) -> int:
        """Take in a set file; return the set's id.

        The player and the set are made, or found by name. Each value that differs from what the
        file said last time gets a dated row, so a file that nobody touched does not undo a bend
        made since; a blank changes nothing. A club that the file leaves out is no longer in the
        set; its strikes stay.
        """
        with self._file.writing() as connection:
            set_id = self.know(seen.player, seen.hand, seen.name, seen.machine_increment_deg)
            connection.execute('UPDATE clubs SET position = NULL WHERE "set" = ?', (set_id,))
            for position, club in enumerate(seen.clubs):
                club_id = self._file.number(
                    'INSERT INTO clubs ("set", label, position) VALUES (?, ?, ?)'
                    ' ON CONFLICT ("set", label) DO UPDATE SET label = excluded.label,'
                    " position = excluded.position RETURNING id",
                    (set_id, club.label, position),
                )
                self._add_spec_of_file(club_id, club.spec, at_utc_ns)
            connection.execute(
                'UPDATE sets SET pivot_club = (SELECT id FROM clubs WHERE "set" = ? AND label = ?)'
                " WHERE id = ?",
                (set_id, seen.pivot_label, set_id),
            )
        return set_id

    def know(
        self,
        player: str,
        hand: HandName,
        name: str,
        machine_increment_deg: float | None,
        note: str | None = None,
    ) -> int:
        """Make a player and a set, or find them by name; what is not known stays. Return its id."""
        with self._file.writing():
            player_id = self._file.number(
                "INSERT INTO players (name, hand, note) VALUES (?, ?, ?) ON CONFLICT (name)"
                " DO UPDATE SET hand = excluded.hand, note = COALESCE(excluded.note, note)"
                " RETURNING id",
                (player, hand, note),
            )
            return self._file.number(
                "INSERT INTO sets (player, name, machine_increment_deg) VALUES (?, ?, ?)"
                " ON CONFLICT (player, name) DO UPDATE SET machine_increment_deg ="
                " COALESCE(excluded.machine_increment_deg, machine_increment_deg) RETURNING id",
                (player_id, name, machine_increment_deg),
            )

    def _add_spec_of_file(self, club: int, spec: ClubSpec, at_utc_ns: int) -> None:
        history = self._clubs.spec_history(club)
        told_before = merge_specs(told for _, source, told in history if source == FROM_FILE)
        changed = changed_spec(told_before, spec)
        if changed is not None:
            self._clubs.add_spec(club, changed, at_utc_ns=at_utc_ns, source=FROM_FILE)

    def get(self, set_id: int, *, at_utc_ns: int | None = None) -> SetRow:
        """Return a set with what is known of its clubs, or was at a date."""
        with self._file.lock:
            row = self._file.one(
                "SELECT player, name, pivot_club, machine_increment_deg FROM sets WHERE id = ?",
                (set_id,),
            )
            if row is None:
                raise StoreError(f"{self._file.path}: there is no set {set_id}")
            player, name, pivot_club, machine_increment_deg = row
            players = self._players("WHERE id = ?", player)
            if not players:
                raise StoreError(
                    f"{self._file.path}: set {set_id} names a player that is not "
                    "there: another program has changed the file; run 'lieboard check'"
                )
            clubs = self._clubs.of_set(set_id, at_utc_ns=at_utc_ns)
            return SetRow(
                id=set_id,
                player=players[0],
                name=name,
                pivot_club=pivot_club,
                machine_increment_deg=machine_increment_deg,
                clubs=tuple(clubs),
            )

    def players(self) -> list[PlayerRow]:
        """All players by name."""
        return self._players("WHERE NOT gone ORDER BY name, id")

    def _players(self, rest: str, *parameters: int) -> list[PlayerRow]:
        return self._file.select(
            PlayerRow, f"SELECT id, name, hand, note FROM players {rest}", parameters
        )

    def player_named(self, name: str) -> int | None:
        """Id of the player of this name, also one that was deleted."""
        row = self._file.one("SELECT id FROM players WHERE name = ?", (name,))
        return None if row is None else int(row[0])

    def all(self) -> list[SetName]:
        """All sets by player and name."""
        return self._file.select(
            SetName,
            "SELECT sets.id, players.name AS player, sets.name,"
            ' (SELECT COUNT(*) FROM clubs WHERE clubs."set" = sets.id'
            "   AND clubs.position IS NOT NULL) AS clubs"
            " FROM sets JOIN players ON players.id = sets.player AND NOT players.gone"
            " ORDER BY players.name, sets.name, sets.id",
        )

    def find(self, player: str, name: str | None = None) -> int:
        """Id of the set of this player (of this name, if there are several).

        Raises
        ------
        StoreError
            Naming what there is instead.
        """
        every = self.all()
        own = [row for row in every if row.player.casefold() == player.casefold()]
        begun = [row for row in every if row.player.casefold().startswith(player.casefold())]
        if not own and player.strip():
            if len({row.player for row in begun}) > 1:
                names = ", ".join(sorted({row.player for row in begun}))
                raise StoreError(f"{self._file.path}: several players begin with {player}: {names}")
            own = begun
        if not own:
            known = ", ".join(sorted({row.player for row in every})) or "none yet"
            raise StoreError(f"{self._file.path}: no set of {player} is stored (players: {known})")
        wanted = [row for row in own if name is None or row.name.casefold() == name.casefold()]
        if len(wanted) == 1:
            return wanted[0].id
        names = ", ".join(row.name for row in own)
        raise StoreError(
            f"{self._file.path}: name one of the sets of {own[0].player} with --set: {names}"
        )
