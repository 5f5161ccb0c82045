"""Data files and hellos that were spoilt on purpose, in great number.

::

    python tests/benchmarks/hostile.py [--files 10000] [--hellos 10000] [--clubs] [--verbose]

Each data file is a real one (`tests/vectors/db`, of the latest step there is) in which values are
put in the place of others, as any program could do: whole numbers out of range, infinities, texts
that are none, long blobs, hellos with other fields. It is looked through, taken into a good file,
and read by ``sessions`` and ``strikes`` (``--clubs``: also by ``clubs``, which takes longest), in
this process. Counted: exceptions that are no error for a person (must be 0), and rows of the good
file that were changed or went (must be 0).
Each hello is good but for some of its bytes behind a good checksum: parsed, and if it is let
through, made into a contact reader. Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import io
import json
import random
import shutil
import sqlite3
import struct
import sys
import tempfile
import time
import traceback
from contextlib import closing
from pathlib import Path

from logger.cli import main as command
from logger.errors import LieboardError, ProtocolError
from logger.protocol.hello import hello_from_json, hello_to_json
from logger.protocol.records import Hello
from logger.protocol.wire import parse
from logger.session.logging.contacts_of import ContactReader
from logger.session.logging.rework import check_file, merge_file

VECTORS = Path(__file__).parents[1] / "vectors" / "db"
NOW_NS = 1_790_000_000 * 10**9
VALUES = {
    "INTEGER": (-1, 0, 2**63 - 1, -(2**63), 2**32, 10**15),
    "REAL": (9e999, -9e999, 0.0, -1.0, 1e300, 1e-300),
    "TEXT": ("", "x" * 5000, "\u202ename\x1b[2J", "{", "[1]", "\0", "9" * 400),
    "BLOB": (b"", b"\0", b"\xff" * 40, bytes(50_000)),
}


def spoil(path: Path, chance: random.Random) -> None:
    """Put one to three strange values into a data file."""
    with closing(sqlite3.connect(path)) as file:
        tables = [
            row[0]
            for row in file.execute(
                "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
                " AND name NOT LIKE '\\_%' ESCAPE '\\'"
            )
        ]
        for _ in range(chance.randint(1, 3)):
            table = chance.choice(tables)
            column = chance.choice(file.execute(f'PRAGMA table_info("{table}")').fetchall())
            value: object = chance.choice(VALUES[column[2]])
            if column[1] == "hello":
                value = bent_hello(file, chance)
            # What a constraint refuses, no program can put there either.
            with contextlib.suppress(sqlite3.Error):
                file.execute(f'UPDATE "{table}" SET "{column[1]}" = ?', (value,))
        file.commit()


def bent_hello(file: sqlite3.Connection, chance: random.Random) -> str:
    (text,) = file.execute("SELECT hello FROM boots WHERE hello IS NOT NULL").fetchone() or ("{}",)
    plain = json.loads(text)
    for name in chance.sample(sorted(plain), min(2, len(plain))):
        plain[name] = chance.choice([0, -1, None, "x", 2**40, 1.5, [], {}, True])
    return json.dumps(plain)


def rows_of(path: Path) -> set[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as file:
        return {
            (table, *row)
            for table in ("records", "marks", "notes", "players", "boards")
            for row in file.execute(f'SELECT * FROM "{table}"')
        }


def filled(row: tuple[object, ...], other: tuple[object, ...]) -> bool:
    """Whether a row says all that another did, and perhaps what that one did not know."""
    return len(row) == len(other) and all(
        known is None or known == value for known, value in zip(row, other, strict=True)
    )


def quietly(*arguments: str) -> None:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        command(list(arguments))


def files(count: int, seed: int, folder: Path, *, clubs: bool, verbose: bool) -> dict[str, object]:
    names = ("sessions", "strikes", "clubs") if clubs else ("sessions", "strikes")
    numbered = [p for p in VECTORS.glob("schema-*.db.gz") if p.name[7:-6].isdecimal()]
    latest = max(numbered, key=lambda p: int(p.name[7:-6]))
    good, base = folder / "good.db", folder / "base.db"
    base.write_bytes(gzip.decompress(latest.read_bytes()))
    shutil.copy(base, good)
    quietly("sessions", "--db", str(good))
    before = rows_of(good)
    faults: list[str] = []
    first_changed: list[str] = []
    changed = refused = 0
    for number in range(count):
        chance = random.Random(seed * 1_000_003 + number)
        bad, own = folder / "bad.db", folder / "own.db"
        shutil.copy(good, bad)
        shutil.copy(good, own)
        spoil(bad, chance)
        works = (
            lambda bad=bad: check_file(bad, NOW_NS, rebuild=False),
            lambda bad=bad, own=own: merge_file(own, bad),
            *(lambda n=name, p=p: quietly(n, "--db", str(p))
              for name in names for p in (own, bad)),
        )  # fmt: skip
        for work in works:
            try:
                work()
            except LieboardError:
                refused += 1
            except Exception as error:  # noqa: BLE001 - counted
                if verbose:
                    traceback.print_exc()
                faults.append(f"{number}: {type(error).__name__}: {error}"[:200])
        now = rows_of(own)
        gone = {row for row in before - now if not any(filled(row, other) for other in now)}
        changed += len(gone)
        first_changed += [f"{number}: {row}"[:200] for row in sorted(gone, key=repr)]
        for one in folder.glob("*.before-*"):
            one.unlink()
    return {"files": count, "refused_in_one_line": refused, "tracebacks": len(faults),
            "first_tracebacks": faults[:10], "rows_changed": changed,
            "first_changed": first_changed[:10]}  # fmt: skip


def hellos(count: int, seed: int) -> dict[str, object]:
    chance = random.Random(seed)
    good = struct.pack(
        "<BBB8sI3BIBBHHBIHHIIBB", 1, 1, 0, bytes(8), 7, 1, 0, 0, 1_000_000, 1, 16, 4000, 0, 0, 52,
        1023, 24, 0, 0, 31, 3,
    ) + b"odd"  # fmt: skip
    let_through, faults = 0, []
    for _ in range(count):
        body = bytearray(good)
        for _ in range(chance.randint(1, 4)):
            body[chance.randrange(1, len(body))] = chance.choice([0, 255, chance.randrange(256)])
        try:
            said = parse(bytes(body))
            if isinstance(said, Hello):
                let_through += 1
                ContactReader(hello_from_json(hello_to_json(said))).sort_rules()
        except ProtocolError:
            continue
        except Exception as error:  # noqa: BLE001 - counted
            faults.append(f"{bytes(body).hex()}: {error}"[:200])
    return {"hellos": count, "let_through": let_through, "tracebacks": len(faults),
            "first_tracebacks": faults[:5]}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--hellos", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--clubs", action="store_true")
    parser.add_argument("--verbose", action="store_true", help="show each traceback")
    given = parser.parse_args()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="lieboard-") as folder:
        found = {"benchmark": "hostile", "hello": hellos(given.hellos, given.seed),
                 "file": files(given.files, given.seed, Path(folder),
                               clubs=given.clubs, verbose=given.verbose)}  # fmt: skip
    print(json.dumps(found | {"seconds": round(time.monotonic() - begun, 1)}))
    sys.exit(0)


if __name__ == "__main__":
    main()
