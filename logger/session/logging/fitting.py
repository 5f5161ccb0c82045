"""One fitting session on the store: which club is up, and records filed as strikes under it.

Nothing in here waits or reads a clock; `logger.session.logging.recorder` runs it in the store's
thread.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.strikes.sorting import Kind, Sorted
from logger.collector.recording import BoardIdentity, KnownBoot, TimedRecord
from logger.errors import UsageError
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import Button, ButtonAction
from logger.protocol.sequence import Hole
from logger.session.logging.boot_work import METHOD_VERSION, BootWork
from logger.store.rows import ClubRow, SessionRow, SetRow, StrikeRow
from logger.store.store import Store

# A record this much older than the session's start belongs to the time before it: longer than the
# clock's error and than it takes to type a name.
BEFORE_START_NS = 5_000_000_000
# A record that comes late can change the contact it stands in, and make a bounce of the next.
_AROUND_CONTACTS = 4


@dataclass(frozen=True, slots=True)
class FiledStrike:
    """A contact that was just filed, with its club."""

    row: StrikeRow
    label: str | None
    """Of the club; None when no club was up."""


def club_of(own: SetRow, label: str) -> ClubRow:
    """Return the club of a set that has this label.

    Raises
    ------
    UsageError
        Naming the clubs there are.
    """
    for club in own.clubs:
        if club.label.casefold() == label.casefold():
            return club
    known = " ".join(club.label for club in own.clubs)
    raise UsageError(f"there is no club {label} in the set {own.name}: it has {known}")


class FittingSession:
    """One session, open for writing.

    Parameters
    ----------
    store
        Stays open as long as the session is used.
    session_row
        Id of a session in it.
    """

    def __init__(self, store: Store, session_row: int) -> None:
        self.store = store
        self.row: SessionRow = store.sessions.get(session_row)
        self.set: SetRow = store.sets.get(self.row.set)
        if not self.set.clubs:
            raise UsageError(f"the set {self.set.name} has no clubs: import a set file first")
        self._labels = {club.id: club.label for club in store.clubs.of_session(session_row)}
        self._boots: dict[int, BootWork] = {}
        self._before_start = 0
        self._losses_undated = False
        self.has_open_contact = False
        """Whether `idle` has something to look at; may be read from any thread."""

    # -- clubs ------------------------------------------------------------------------------

    @property
    def order(self) -> tuple[ClubRow, ...]:
        """Clubs in the order of checking: the pivot first, then the others as they stand."""
        clubs = self.set.clubs
        pivot = [club for club in clubs if club.id == self.set.pivot_club]
        return (*pivot, *(club for club in clubs if club.id != self.set.pivot_club))

    @property
    def before_start(self) -> int:
        """Records kept on the board from before this session: stored, not filed."""
        return self._before_start

    def current_club(self, utc_ns: int) -> ClubRow | None:
        """Club that is up at a moment."""
        club = self.store.sessions.club_at(self.row.id, utc_ns)
        return next((c for c in self.set.clubs if c.id == club), None)

    def choose_club(self, label: str, utc_ns: int, cause: str = "key") -> ClubRow:
        """Put a club up by its label.

        Raises
        ------
        UsageError
            Naming the clubs there are.
        """
        club = club_of(self.set, label)
        self.store.sessions.add_turn(self.row.id, club.id, from_utc_ns=utc_ns, cause=cause)
        return club

    def audited(self, strike: int, club: ClubRow) -> StrikeRow:
        """Return the board's strike, by its number in the session, that a mark is of.

        Raises
        ------
        UsageError
            If there is none, or it stands under another club.
        """
        for contact in self.store.strikes.contacts(self.row.id, source="board"):
            if contact.number == strike:
                if contact.club == club.id:
                    return contact
                label = self._labels.get(contact.club or -1, "no club")
                raise UsageError(f"strike {strike} stands under {label}, and not {club.label}")
        raise UsageError(
            f"the board saw no strike {strike} in session {self.row.id}: 'lieboard strikes' lists "
            "what it saw"
        )

    def step_club(self, step: int, utc_ns: int, cause: str = "key") -> ClubRow:
        """Put the club up that is ``step`` places further in the order of checking.

        What was struck since ``utc_ns`` is filed under it.
        """
        order = self.order
        up = self.current_club(utc_ns)
        place = -1 if up is None else order.index(up)
        club = order[(place + step) % len(order)] if up is not None else order[0]
        self.store.sessions.add_turn(self.row.id, club.id, from_utc_ns=utc_ns, cause=cause)
        self.store.strikes.refile(self.row.id)
        return club

    # -- what the fitter says ---------------------------------------------------------------

    def take_back(self, utc_ns: int, cause: str) -> StrikeRow | None:
        """Set aside the last strike that counts, of the club that was up at ``utc_ns``."""
        last = self.last_counted(utc_ns)
        return last and self.store.strikes.set_aside(last, f"taken back ({cause})")

    def last_counted(self, utc_ns: int) -> StrikeRow | None:
        """Return the last strike that counts, of the club that was up at ``utc_ns``."""
        club = self.store.sessions.club_at(self.row.id, utc_ns)
        counted = [
            contact
            for contact in self.store.strikes.contacts(self.row.id, club=club)
            if contact.used and contact.struck_utc_ns <= utc_ns
        ]
        return counted[-1] if counted else None

    def end(self, utc_ns: int) -> None:
        """Close the session."""
        self.store.sessions.end(self.row.id, ended_utc_ns=utc_ns)

    # -- records ----------------------------------------------------------------------------

    def begin_boot(self, identity: BoardIdentity, seen_utc_ns: int) -> KnownBoot:
        """Remember a board and this start of it; say what of it is stored already."""
        boot = self.store.boards.remember_boot(
            board_key=identity.board_key,
            boot_key=identity.boot_key,
            name=identity.name,
            hello=identity.hello,
            seen_utc_ns=seen_utc_ns,
        )
        last = self.store.records.last_contiguous(boot)
        next_expected = 0 if last is None else last + 1
        beyond = self.store.records.sequences_after(boot, next_expected - 1)
        if boot not in self._boots:
            self._forget_finished()
            if next_expected or beyond:
                self._take_up(boot)
            else:
                self._boots[boot] = BootWork(self.store, self.row, boot)
        return KnownBoot(boot, next_expected, beyond, self.store.boards.later_starts(boot))

    def _forget_finished(self) -> None:
        """Let go of starts that are over: a board that restarts all day must not fill the memory.

        Should one of them go on after all, it is worked out again from the store.
        """
        self._boots = {
            boot: work
            for boot, work in self._boots.items()
            if work.unfiled or work.reader.open_since is not None
        }

    def store_records(self, boot: int, records: Sequence[TimedRecord]) -> None:
        """Write records durably."""
        first_ns = self.row.started_utc_ns - BEFORE_START_NS
        own = [r for r in records if r.struck_utc_ns >= first_ns]
        earlier = [r for r in records if r.struck_utc_ns < first_ns]
        self._boots[boot].unfiled.update(self.store.records.add(boot, own, session=self.row.id))
        self._before_start += len(self.store.records.add(boot, earlier))
        if self._losses_undated and own:
            # The first record behind a hole says which club was up when the others were struck.
            self.store.strikes.refile(self.row.id)
            self._losses_undated = False

    def file(self, boot: int, records: Sequence[TimedRecord]) -> list[FiledStrike]:
        """Work out strikes from stored records, which come in the order of their numbers.

        A record that comes late, behind ones that were worked on, has what is around it and follows
        it worked out again: that may have been taken for something else without it. So has one
        that continues a contact which a quiet line had made look over.
        """
        first_ns = self.row.started_utc_ns - BEFORE_START_NS
        own = [r for r in records if r.struck_utc_ns >= first_ns]
        if not own:
            return []
        self._heed_changes()
        work = self._boots[boot]
        if own[0].sequence < work.done_below:
            return self.rebuild(boot, since=min([own[0].sequence, *work.unfiled]))
        filed: list[FiledStrike] = []
        run: list[Sorted] = []
        for timed in own:
            record = timed.raw.record
            work.done_below = timed.sequence + 1
            work.unfiled.discard(timed.sequence)
            if isinstance(record, Button):
                run += work.sort(flush=True)
                filed += self._file_run(boot, work, run)
                run = []
                self._press(boot, timed.sequence, record, timed.struck_utc_ns)
            else:
                run += work.sort(timed.sequence, record, timed.struck_utc_ns)
        if work.reader.parted:
            return self.rebuild(boot, since=min([own[0].sequence, *work.unfiled]))
        self._look_for_open_contacts()
        return filed + self._file_run(boot, work, run)

    def _heed_changes(self) -> None:
        """Go by what the session says now: another program may have put its hand or set right."""
        row = self.store.sessions.get(self.row.id)
        if row == self.row:
            return
        if row.set != self.row.set:
            self.set = self.store.sets.get(row.set)
            self._labels = {club.id: club.label for club in self.store.clubs.of_session(row.id)}
        self.row = row
        for work in self._boots.values():
            work.session = row

    def catch_up(self) -> list[FiledStrike]:
        """Work out what is on disk and was never handed on.

        A connection that ends takes with it what it held back behind a hole; the next one is
        not sent that again.
        """
        filed: list[FiledStrike] = []
        for boot, work in list(self._boots.items()):
            if work.unfiled:
                filed += self.rebuild(boot, since=min(work.unfiled))
        return filed

    def idle(self, now_utc_ns: int) -> list[FiledStrike]:
        """File contacts whose end a quiet line did not show."""
        filed: list[FiledStrike] = []
        for boot, work in self._boots.items():
            contacts = work.reader.idle(now_utc_ns)
            filed += self._file_run(boot, work, [work.sorter.feed(c) for c in contacts])
        self._look_for_open_contacts()
        return filed

    def _look_for_open_contacts(self) -> None:
        self.has_open_contact = any(
            work.reader.open_since is not None for work in self._boots.values()
        )

    def rebuild(self, boot: int, *, since: int = 0) -> list[FiledStrike]:
        """Work out the strikes of a boot in this session again from what is stored.

        Parameters
        ----------
        boot
            Row of a boot.
        since
            Lowest record that may change anything; what lies well before it is left as it is, so
            that a day's session costs no more than an hour's.
        """
        work = BootWork(self.store, self.row, boot)
        self._boots[boot] = work
        run: list[Sorted] = []
        presses: list[tuple[int, Button, int]] = []
        last = -1
        first_filed, begin, known = self._before(boot, since)
        for stored in self.store.records.read(boot=boot, session=self.row.id, from_sequence=begin):
            record = record_from_raw(stored.raw)
            utc_ns = stored.struck_utc_ns or 0
            last = stored.sequence
            work.done_below = last + 1
            if isinstance(record, Button):
                run += work.sort(flush=True, known=known)
                presses.append((last, record, utc_ns))
            else:
                run += work.sort(last, record, utc_ns, known=known)
        # A contact that is still open keeps what was said of it until it is filed again.
        still_open = work.reader.open_since
        below = last if still_open is None else still_open - 1
        ids = self._replace(boot, work, run, first_filed, below) if below >= first_filed else []
        # Only now: a press that was never done takes back the strike just before it.
        for press in presses:
            self._press(boot, *press)
        self._look_for_open_contacts()
        return self._filed(ids)

    def recover(self) -> list[FiledStrike]:
        """Work out again what a session that was cut off has stored."""
        filed: list[FiledStrike] = []
        boots = self.store.boards.boots_of(self.row.id)
        for boot in boots:
            # The latest goes on, and needs its work taken up again.
            if boot == boots[-1] or self._recover_from(boot) is not None:
                filed += self._take_up(boot)
        return filed

    def _take_up(self, boot: int) -> list[FiledStrike]:
        """Go on with a boot where an earlier run left it."""
        since = self._recover_from(boot)
        if since is None:
            since = self.store.records.last_of(self.row.id, boot) or 0
        return self.rebuild(boot, since=since)

    def _recover_from(self, boot: int) -> int | None:
        """Lowest record that still has to be worked on; None if all were, as they would be now."""
        method_of = BootWork(self.store, self.row, boot).reader.method_of
        for method, first_ns, last_ns in self.store.strikes.methods(self.row.id, boot):
            if {method_of(METHOD_VERSION, first_ns), method_of(METHOD_VERSION, last_ns)} != {
                method
            }:
                return 0
        return self.store.strikes.first_unfiled(self.row.id, boot)

    def lost(self, boot: int, holes: Sequence[Hole], reason: str, noted_utc_ns: int) -> None:
        """Count records that will never come: under the club that is up, until the next comes."""
        self._losses_undated = True
        club = self.store.sessions.club_at(self.row.id, noted_utc_ns)
        for hole in holes:
            self.store.records.add_loss(
                boot,
                count=hole.count,
                reason=reason,
                noted_utc_ns=noted_utc_ns,
                from_sequence=hole.first,
                to_sequence=hole.last,
                session=self.row.id,
                club=club,
            )

    def _before(self, boot: int, since: int) -> tuple[int, int, dict[int, list[Kind]]]:
        """Say where to begin if a record from ``since`` on changes.

        Returns
        -------
        first_filed : int
            From where on contacts are filed: a few before the record, which may belong to one.
        begin : int
            From where on records have to be read for that.
        known : dict
            What the contacts in between were, the last that begins in a record first.
        """
        rows = self.store.strikes.before(self.row.id, boot, since) if since else []
        around, before = rows[:_AROUND_CONTACTS], rows[_AROUND_CONTACTS:]
        if not before:
            return 0, 0, {}
        first_filed = around[-1][0]
        known: dict[int, list[Kind]] = {}
        for first, kind in before:
            if first < first_filed:
                known.setdefault(first, []).append(Kind(kind))
        return first_filed, min(known, default=first_filed), known

    def _file_run(self, boot: int, work: BootWork, run: Sequence[Sorted]) -> list[FiledStrike]:
        if not run:
            return []
        first, last = run[0].contact.first_key, run[-1].contact.last_key
        return self._filed(self._replace(boot, work, run, first, last))

    def _replace(
        self, boot: int, work: BootWork, run: Sequence[Sorted], first: int, last: int
    ) -> list[int]:
        """File contacts in place of all that began in records ``first`` to ``last``."""
        strikes = [work.new_strike(one) for one in run]
        return self.store.strikes.file(
            self.row.id, boot, strikes, from_sequence=first, to_sequence=last
        )

    def _filed(self, ids: Sequence[int]) -> list[FiledStrike]:
        if len(ids) > 1:
            # To number one contact all of the session are looked at; so these are, once for all.
            every = {
                row.id: row for row in self.store.strikes.contacts(self.row.id, source="board")
            }
            rows = [every[strike] for strike in ids]
        else:
            rows = [self.store.strikes.get("board", strike) for strike in ids]
        return [
            FiledStrike(row, None if row.club is None else self._labels.get(row.club))
            for row in rows
        ]

    def _press(self, boot: int, sequence: int, button: Button, utc_ns: int) -> None:
        """Do what the foot switch asks for, once, however often the record is worked on."""
        cause = f"foot switch {boot}:{sequence}"
        with self.store.sessions.press(boot, sequence) as is_first:
            if not is_first:
                return
            if button.action is ButtonAction.TAKE_BACK:
                self.take_back(utc_ns, cause)
            else:
                step = 1 if button.action is ButtonAction.NEXT_CLUB else -1
                self.step_club(step, utc_ns, cause)
