"""What SQLite reports, as one line that tells a person what to do."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from logger.errors import StoreError

# By primary result code (https://www.sqlite.org/rescode.html): the low byte of the extended one.
_ADVICE: dict[int, str] = {
    sqlite3.SQLITE_BUSY: "another program is writing to it: close that program, or try again",
    sqlite3.SQLITE_LOCKED: "another program is writing to it: close that program, or try again",
    sqlite3.SQLITE_READONLY: "it cannot be written: mend its permissions, or copy it elsewhere",
    sqlite3.SQLITE_PERM: "it cannot be written: mend its permissions, or copy it elsewhere",
    sqlite3.SQLITE_FULL: "the disk is full: free some space; what was stored before is safe",
    sqlite3.SQLITE_IOERR: (
        "the disk refused to read or write: check the drive and its free space; "
        "what was stored before is safe"
    ),
    sqlite3.SQLITE_NOTADB: "this is not a lieboard data file: name another file",
    sqlite3.SQLITE_CORRUPT: (
        "the data file is damaged: keep a copy of it as it is, and go on with a backup"
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "it cannot be opened: check that its folder is there and that you may write in it"
    ),
}


def explanation(path: Path, error: sqlite3.Error) -> StoreError:
    """Make the error to raise for what SQLite said about the data file at ``path``."""
    # Errors of the Python module itself, such as a closed connection, carry no code.
    code: int = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    advice = _ADVICE.get(code)
    if advice is not None:
        return StoreError(f"{path}: {advice}")
    return StoreError(f"{path}: the data file refused this ({error}): nothing of it was stored")


def damaged(path: Path) -> StoreError:
    """Make the error to raise for a file that is ours and damaged."""
    return StoreError(f"{path}: {_ADVICE[sqlite3.SQLITE_CORRUPT]}")


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn every SQLite error inside into a `StoreError`."""
    try:
        yield
    except sqlite3.Error as exc:
        raise explanation(path, exc) from exc
    except UnicodeDecodeError as exc:
        # SQLite quotes a damaged schema in its message, and the module fails to read that.
        raise damaged(path) from exc
