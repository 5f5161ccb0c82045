"""Work strikes out again: after a merge, and to check what a data file says of its records."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from logger.errors import LieboardError
from logger.session.logging.fitting import FittingSession
from logger.store.checking import (
    DataFinding,
    damage_of,
    findings_in,
    open_scratch,
    read_by_others,
)
from logger.store.copies.backup import copy_beside, put_back
from logger.store.copies.merge import MergeReport, MergingStore
from logger.store.copying import copy_database
from logger.store.explain import explained
from logger.store.opening import look_into
from logger.store.rows import StrikeRow
from logger.store.store import Store
from logger.store.unfit_rows import UnfitRow

_BEFORE_MERGE = "before-merge"
# Of SQLite's virtual machine: some milliseconds.
_STEPS_BETWEEN_LOOKS = 50_000


def check_file(
    path: Path,
    now_utc_ns: int,
    *,
    rebuild: bool = True,
    working: Callable[[int, int], None] = lambda done, of: None,
) -> list[DataFinding]:
    """Look through the data file at ``path``, which may be in use; nothing in it is changed.

    Parameters
    ----------
    path
        Of this version or an older one: what is looked at is a copy, upgraded if need be.
    now_utc_ns
        What is dated a day later is in the future.
    rebuild
        Also work out all strikes again and compare.
    working
        Told how many starts of boards were worked out again, and of how many.

    Raises
    ------
    StoreError
        It is not a data file of ours, or no copy can be made.
    """
    with tempfile.TemporaryDirectory(prefix="lieboard-") as folder:
        copy = Path(folder) / "looked-at.db"
        with explained(path), closing(look_into(path)) as source:
            damage = damage_of(source)
            if damage:
                return damage
            copy_database(source, copy)
        connection = open_scratch(copy)
        with Store(connection, copy, read_only=False) as store:
            with explained(path):
                found = findings_in(connection, now_utc_ns) + read_by_others(path)
            return found + (_worked_out_again(store, working) if rebuild else [])


def rebuild_all(store: Store, working: Callable[[int, int], None]) -> list[tuple[int, list[str]]]:
    """Work out all strikes again; return what changed by session, or why it could not be done.

    Those of a board's start of which a raw record is missing are left as they are.
    """
    pairs = [(s, boot) for s in store.sessions.all() for boot in store.boards.boots_of(s.id)]
    # One boot after the other: which of its records there are is asked for once.
    pairs.sort(key=lambda pair: pair[1])
    changed: list[tuple[int, list[str]]] = []
    stored: dict[int, frozenset[int]] = {}
    for done, (session, boot) in enumerate(pairs):
        working(done, len(pairs))
        before = _of_boot(store, session.id, boot)
        if boot not in stored:
            stored = {boot: store.records.sequences_after(boot, -1)}
        there = stored[boot]
        if any(not {row.first_sequence, row.last_sequence} <= there for row in before.values()):
            continue
        try:
            FittingSession(store, session.id).rebuild(boot)
        except (LieboardError, ValueError) as error:
            changed.append((session.id, [f"cannot be worked out again: {error}"]))
            continue
        words = _differences(before, _of_boot(store, session.id, boot))
        if words:
            changed.append((session.id, words))
    return changed


def _worked_out_again(store: Store, working: Callable[[int, int], None]) -> list[DataFinding]:
    return [
        DataFinding(
            "rebuild", True,
            f"session {session}, worked out again from its records: {'; '.join(words[:5])}"
            + (f"; and {len(words) - 5} more" if len(words) > 5 else ""),
            "an earlier version worked it out, or the file was changed: 'lieboard check --mend' "
            "works it out again and keeps what you set aside or brought in",
        )
        for session, words in rebuild_all(store, working)
    ]  # fmt: skip


def _of_boot(store: Store, session: int, boot: int) -> dict[tuple[int, int], StrikeRow]:
    """Contacts of a boot by first record and rank among those that begin in it."""
    found: dict[tuple[int, int], StrikeRow] = {}
    for row in store.strikes.contacts(session, source="board"):
        if row.boot == boot and row.first_sequence is not None:
            within = 0
            while (row.first_sequence, within) in found:
                within += 1
            found[row.first_sequence, within] = replace(row, id=0, number=0)
    return found


def _differences(
    before: dict[tuple[int, int], StrikeRow], after: dict[tuple[int, int], StrikeRow]
) -> list[str]:
    words = []
    for key in sorted(before.keys() | after.keys()):
        old, new = before.get(key), after.get(key)
        if old == new:
            continue
        named = f"record {key[0]}"
        if old is None:
            words.append(f"{named} is a contact that was not filed")
        elif new is None:
            words.append(f"{named} is no contact")
        else:
            words.append(f"{named}: {_changed(old, new)}")
    return words


def _changed(old: StrikeRow, new: StrikeRow) -> str:
    names = [
        name for name in StrikeRow.__dataclass_fields__ if getattr(old, name) != getattr(new, name)
    ]
    first = names[0]
    return f"{first} {getattr(old, first)} becomes {getattr(new, first)}" + (
        f", and {len(names) - 1} more" if len(names) > 1 else ""
    )


def merge_file(
    own: Path, other: Path, *, stopped: Callable[[], bool] = lambda: False
) -> MergeReport:
    """Take the data file ``other`` into ``own``: all of it or nothing; ``other`` is not touched.

    A copy of ``own`` is made first; `take_back_merge` returns to it.

    Parameters
    ----------
    stopped
        Asked now and then, in this thread, whether nobody wants it any more.

    Raises
    ------
    StoreError
        With one line that says what to do; ``own`` is then as it was. It was stopped.
    """
    told = False

    def interrupted() -> int:
        # Once: what undoes the half that was done must not be interrupted too.
        nonlocal told
        if told or not stopped():
            return 0
        told = True
        return 1

    before: Path | None = None
    try:
        with explained(own), MergingStore.open(own) as store:
            before = copy_beside(own, _BEFORE_MERGE)
            store.file.connection.set_progress_handler(interrupted, _STEPS_BETWEEN_LOOKS)
            report = store.merge(
                other, lambda session, boot: FittingSession(store, session).rebuild(boot)
            )
    except BaseException:
        if before is not None:
            before.unlink(missing_ok=True)
        raise
    if not report.added and not report.changed:
        before.unlink(missing_ok=True)
        return report
    return replace(report, copy_before=before)


def take_back_merge(own: Path) -> tuple[Path, Path]:
    """Make a data file what it was before its latest merge.

    Returns
    -------
    The copy that it was put back from, and where what it had become is kept.

    Raises
    ------
    StoreError
        Nothing was merged, or another program has the file open.
    """
    return put_back(own, _BEFORE_MERGE)


def set_aside_unfit(path: Path) -> tuple[Sequence[UnfitRow], Path | None]:
    """Take rows that cannot be out of a data file; a copy of it is made first.

    Returns
    -------
    What was taken out, and the copy; None if there was nothing.

    Raises
    ------
    StoreError
        The file cannot be written, or there is no room for the copy; it is then as it was.
    """
    with Store.open(path) as store:
        found = store.unfit()
        if not found:
            return (), None
        before = copy_beside(path, "before-set-aside")
        store.take_out(found)
    return found, before
