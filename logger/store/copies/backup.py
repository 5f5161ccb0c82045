"""Backups: a whole, checked copy of the data file under its final name, or none."""

from __future__ import annotations

import os
import re
import secrets
import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from logger.errors import StoreError
from logger.store.copying import CopyFacts, copy_database, sync_to_disk
from logger.store.explain import explained
from logger.store.opening import look_into

BEFORE_RESTORE = "before-restore"


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was made."""

    path: Path
    facts: CopyFacts
    removed: Sequence[Path] = ()
    """Earlier ones that made room for it."""


def back_up(path: Path, target: Path, *, overwrite: bool = False) -> Backup:
    """Copy the data file at ``path`` to the file ``target``, while it may be in use.

    Raises
    ------
    StoreError
        With one line that says what to do; what was at ``target`` is as it was.
    """
    _check_target(path, target, overwrite=overwrite)
    part = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    with explained(path), closing(look_into(path)) as source:
        facts = copy_database(source, part)
    try:
        sync_to_disk(part)
        _put_in_place(part, target, overwrite=overwrite)
    except OSError as error:
        why = error.strerror or str(error)
        raise StoreError(f"{target} cannot be written ({why}): name another place") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    _sync_folder(target.parent)
    return Backup(target, facts)


def back_up_in_turn(path: Path, folder: Path, *, utc_stamp: str, keep: int) -> Backup:
    """Make a dated backup in ``folder`` and remove all but the latest ``keep`` of this data file.

    Parameters
    ----------
    path
        The data file.
    folder
        Must be there.
    utc_stamp
        Such as ``20260131T184500Z``: its order as text is that of time.
    keep
        At least 1; the new one counts.

    Raises
    ------
    StoreError
        As `back_up`; no earlier backup was removed then.
    """
    if keep < 1:
        raise ValueError(f"keep {keep}: at least 1")
    made = back_up(path, folder / f"{path.stem}-{utc_stamp}.db")
    pattern = re.compile(re.escape(path.stem) + r"-\d{8}T\d{6}Z\.db")
    dated = sorted(one for one in folder.iterdir() if pattern.fullmatch(one.name))
    removed: list[Path] = []
    for old in dated[:-keep]:
        if old != made.path:
            with suppress(OSError):
                old.unlink()
                removed.append(old)
    return Backup(made.path, made.facts, tuple(removed))


def copy_beside(path: Path, why: str) -> Path:
    """Copy a data file beside itself before something is done to it; return the copy's name.

    Raises
    ------
    StoreError
        There is no room for it, or it cannot be written.
    """
    numbers = _numbered(path, why)
    target = path.with_name(f"{path.name}.{why}-{max(numbers, default=0) + 1}")
    try:
        return back_up(path, target).path
    except StoreError as error:
        raise StoreError(f"a copy is made first, and it could not be: {error}") from error


def restore(path: Path, source: Path) -> Path:
    """Make a data file what ``source`` is; return a copy of what it was, which is kept beside it.

    Raises
    ------
    StoreError
        ``source`` is no data file of ours, or another program has the file open; it is then as it
        was.
    """
    with explained(source), closing(look_into(source)) as other:
        # Made first, and read back from end to end: nothing is lost whatever follows.
        kept = copy_beside(path, BEFORE_RESTORE)
        try:
            _overwrite(path, other)
        except BaseException:
            kept.unlink(missing_ok=True)
            raise
    return kept


def put_back(path: Path, why: str) -> tuple[Path, Path]:
    """Make a data file what the latest copy beside it is; return that copy, and one of what was.

    Raises
    ------
    StoreError
        There is no such copy, or another program has the file open; it is then as it was.
    """
    numbers = _numbered(path, why)
    if not numbers:
        raise StoreError(f"{path}: there is no copy {path.name}.{why}-N beside it to return to")
    earlier = path.with_name(f"{path.name}.{why}-{max(numbers)}")
    with explained(earlier), closing(look_into(earlier)) as source:
        kept = copy_beside(path, "taken-back")
        _overwrite(path, source)
    earlier.unlink()
    return earlier, kept


def _overwrite(path: Path, source: sqlite3.Connection) -> None:
    with explained(path), closing(sqlite3.connect(path, isolation_level=None)) as target:
        # A program that has it open would go on with rows that are no longer there.
        target.execute("PRAGMA locking_mode = EXCLUSIVE")
        target.execute("BEGIN IMMEDIATE")
        target.execute("COMMIT")
        target.execute("PRAGMA synchronous = FULL")
        source.backup(target)


def _numbered(path: Path, why: str) -> list[int]:
    """Numbers of the copies of one kind that are beside a data file."""
    pattern = re.compile(re.escape(f"{path.name}.{why}-") + r"(\d{1,9})")
    matches = (pattern.fullmatch(one.name) for one in path.absolute().parent.iterdir())
    return [int(found[1]) for found in matches if found is not None]


def _check_target(path: Path, target: Path, *, overwrite: bool) -> None:
    if not target.parent.is_dir():
        raise StoreError(f"{target}: there is no folder {target.parent}: make it, or name another")
    if target.is_dir():
        raise StoreError(f"{target}: this is a folder: name a file in it, or say --keep")
    own = [path.with_name(path.name + ending) for ending in ("", "-wal", "-shm", "-journal")]
    if target.resolve() in [one.resolve() for one in own]:
        raise StoreError(f"{target}: this is the data file itself: name another file")
    if target.exists() and not target.is_file():
        raise StoreError(f"{target}: this is a device and no file: name a file")
    if target.exists() and not overwrite:
        raise StoreError(
            f"{target}: there is such a file already: name another, or say --overwrite"
        )


def _put_in_place(part: Path, target: Path, *, overwrite: bool) -> None:
    if overwrite:
        part.replace(target)
        return
    try:
        # Unlike a rename it never replaces a file that somebody made meanwhile.
        os.link(part, target)
    except FileExistsError:
        raise StoreError(f"{target}: another program has just made such a file") from None
    except OSError:
        # A file system without hard links, such as that of a memory stick.
        if target.exists():
            raise
        part.replace(target)


def _sync_folder(folder: Path) -> None:
    """Let a new name in a folder outlive a power cut, where the system can."""
    if os.name != "posix":
        return
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
