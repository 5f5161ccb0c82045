"""Fuzz target for upgrades: an older data file, damaged, opened by this program.

It is upgraded with every record it had, or refused with one line; then not a byte of it is changed.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
import zipfile
from functools import cache
from pathlib import Path

from fuzz_bytes import Bytes, one_line

from logger.errors import StoreError
from logger.store.migrations import STEPS
from logger.store.store import Store

_OLD_FILES = Path(__file__).parent / "corpus" / "old_files.zip"
_PLACE = Path("/dev/shm")
_PAGE = 4096


@cache
def old_files():
    """All files of older programs, by name."""
    with zipfile.ZipFile(_OLD_FILES) as packed:
        return {name: packed.read(name) for name in sorted(packed.namelist())}


def _damaged(source, whole):
    """Damage a file in a few places, most of them where something is."""
    out = bytearray(whole)
    for _ in range(1 + source.below(4)):
        kind = source.below(8)
        page = source.below(len(out) // _PAGE + 1) * _PAGE
        within = source.number(2) % _PAGE
        at = page + within
        if kind == 0:
            at = source.below(100)  # the header of the file
        elif kind == 1:
            at = page + source.below(16)  # the header of a page
        if kind == 7:
            del out[at:]
        elif kind == 6:
            out[page : page + _PAGE] = out[:_PAGE] if source.below(2) else bytes(_PAGE)
        elif kind == 5:
            found = out.find(source.take(3), 0)
            if found >= 0:
                out[found] ^= 0x20
        elif at < len(out):
            if kind % 2:
                out[at] ^= 1 << source.below(8)
            else:
                new = source.take(1 + source.below(4))
                out[at : at + len(new)] = new
    return bytes(out)


def _records(path):
    """What can be read of the raw records, past the product; None if SQLite refuses."""
    try:
        with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?immutable=1", uri=True)) as file:
            return file.execute("SELECT boot, sequence, raw FROM records ORDER BY id").fetchall()
    except (sqlite3.Error, UnicodeDecodeError):
        return None


def upgrade(data):
    """Any damage to any older file: upgraded whole, or refused and left alone."""
    source = Bytes(data)
    files = old_files()
    whole = files[sorted(files)[source.below(len(files))]]
    damaged = _damaged(source, whole)
    with tempfile.TemporaryDirectory(dir=_PLACE if os.access(_PLACE, os.W_OK) else None) as folder:
        path = Path(folder) / "board.db"
        path.write_bytes(damaged)
        before = _records(path)
        refused = ""
        try:
            Store.open(path).close()
        except StoreError as error:
            refused = str(error)
        if refused:
            one_line(refused)
            assert refused.startswith(str(path))
            assert path.read_bytes() == damaged, f"refused ({refused}) and changed"
            left = {each.name for each in path.parent.iterdir()}
            assert not left & {"board.db-wal", "board.db-shm", "board.db-journal"}
            return
        with contextlib.closing(sqlite3.connect(path)) as file:
            if damaged:
                assert file.execute("PRAGMA user_version").fetchone()[0] == len(STEPS)
            if before is not None:
                assert _records(path) == before
            # What was upgraded can be written to, or it would fail in the middle of a session.
            assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
