"""Files made to hurt: bounded memory, one clear line, nothing stored of them."""

import resource
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing

import pytest

from logger.errors import LieboardError
from logger.session.merging import merge_file
from logger.setfiles import load_set
from logger.store.store import Store

MB = 2**20


def lieboard(*arguments, memory_mb=700):
    """Run a command that may use so much memory and no more."""

    def bound():
        resource.setrlimit(resource.RLIMIT_AS, (memory_mb * MB, memory_mb * MB))

    return subprocess.run(
        [sys.executable, "-m", "logger", *map(str, arguments)], capture_output=True, text=True,
        check=False, timeout=60, stdin=subprocess.DEVNULL, preexec_fn=bound,
        env={"OPENBLAS_NUM_THREADS": "1", "PATH": "/usr/bin:/bin", "HOME": "/nowhere"},
    )  # fmt: skip


@pytest.mark.parametrize(
    "content",
    [
        b'player = "' + b"x" * 5_000_000 + b'"',
        b"a = " + b"[" * 50_000 + b"]" * 50_000,
        b"a = " + b"{b=" * 20_000 + b"1" + b"}" * 20_000,
        b"[" + b"a." * 100_000 + b"b]",
        b"a = 1" + b"0" * 900_000,
        b"[[club]]\n" * 100_000,
        b"\xff\xfe\x00" * 1000,
        b"player,hand\n" + b'"' * 900_000,
        b"," * 900_000,
        b"label,lie\n" + b"7i,1e999999999\n" * 10_000,
    ],
    ids=["long", "deep-list", "deep-table", "dotted", "digits", "clubs", "bytes", "quotes",
         "commas", "numbers"],
)  # fmt: skip
@pytest.mark.parametrize("ending", [".toml", ".csv"])
def test_a_set_file_of_any_size_or_depth_is_one_line(tmp_path, content, ending):
    path = tmp_path / f"set{ending}"
    path.write_bytes(content)
    with pytest.raises(LieboardError) as caught:
        load_set(path)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 4000


def test_a_capture_with_lengths_that_cannot_be_takes_no_memory(tmp_path):
    """Every four bytes of a good recording in turn say that two gigabytes follow."""
    good = tmp_path / "good.lbcap"
    begin = subprocess.run(
        [sys.executable, "-c", MAKE_CAPTURE, good], capture_output=True, text=True, check=False
    )
    assert begin.returncode == 0, begin.stderr
    raw = good.read_bytes()
    db = tmp_path / "data.db"
    set_file = tmp_path / "set.toml"
    set_file.write_text('player="A"\nhand="right"\nset="S"\n[[club]]\nlabel="7i"\n')
    assert lieboard("set", "import", set_file, "--db", db).returncode == 0
    for order in ("<I", ">I"):
        spoilt = bytearray(raw)
        for at in range(len(raw) // 2, min(len(raw) // 2 + 64, len(raw) - 4), 16):
            spoilt[at : at + 4] = struct.pack(order, 0x7FFFFFFF)
        path = tmp_path / "spoilt.lbcap"
        path.write_bytes(spoilt + b"\xff" * 4096)
        done = lieboard("log", f"capture:{path}", "--db", db)
        assert "MemoryError" not in done.stderr
        assert "Traceback" not in done.stderr, done.stderr
        assert done.returncode in (0, 2, 3)


MAKE_CAPTURE = """
import sys
from pathlib import Path
from logger.clock import UtcAnchor
from logger.links.capture import CaptureWriter, RecordKind
with CaptureWriter(Path(sys.argv[1]), "COM1", UtcAnchor(0, 1_750_000_000 * 10**9)) as out:
    for n in range(50):
        out.write(RecordKind.FROM_BOARD, b"LB1 x=1.5 n=%d\\n" % n, n * 10**9)
"""


def test_a_data_file_full_of_traps_gives_nothing(tmp_path):
    """Views and triggers under the names of our tables: merging reads tables, and only ours."""
    own, other = tmp_path / "own.db", tmp_path / "other.db"
    for path in (own, other):
        Store.open(path).close()
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("DROP TABLE notes")
        connection.execute(
            "CREATE VIEW notes AS WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n)"
            " SELECT i AS id, 1 AS session, 0 AS written_utc_ns, 'x' AS text FROM n"
        )
        connection.commit()
    with pytest.raises(LieboardError, match="tables are not those of lieboard"):
        merge_file(own, other)


@pytest.mark.parametrize(
    "content",
    [b"", b"SQLite format 3\0" + b"\xff" * 5000, b"\0" * 100_000, b"\x89PNG\r\n" * 500],
    ids=["empty", "header", "zeros", "picture"],
)
def test_what_is_no_data_file_is_refused(tmp_path, content):
    own, other = tmp_path / "own.db", tmp_path / "other.db"
    Store.open(own).close()
    other.write_bytes(content)
    before = own.read_bytes()
    with pytest.raises(LieboardError) as caught:
        merge_file(own, other)
    assert str(other) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert own.read_bytes() == before
    assert other.read_bytes() == content
