"""Files made to hurt: bounded memory, one clear line, nothing stored of them."""

import gzip
import json
import resource
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import LieboardError
from logger.links.capture import CaptureWriter, RecordKind
from logger.protocol.clock import UtcAnchor
from logger.session.logging.rework import merge_file
from logger.setfiles import load_set
from logger.store.store import Store

MB = 2**20
VECTORS = Path(__file__).parents[1] / "vectors" / "db"


# Each as large as is read at all, where it matters: what is larger is not looked into.
@pytest.mark.parametrize(
    "content",
    [
        b'player = "' + b"x" * 5_000_000 + b'"',
        b'player = "' + b"x" * 199_000 + b'"',
        b"a = " + b"[\n" * 49_000 + b"]\n" * 49_000,
        b"a = " + b"{b=" * 2_400 + b"1" + b"}" * 2_400,
        b"".join(b"[" + b"a." * 4_990 + b"b%d]\n" % n for n in range(19)),
        b"a = 1" + b"0" * 9_900,
        b"[[club]]\n" * 22_000,
        b"\xff\xfe\x00" * 1000,
        b'player,hand\n"' + b'""\n' * 66_000,
        (b"," * 9_990 + b"\n") * 19,
        b"label,lie\n" + b"7i,1e999999999\n" * 10_000,
    ],
    ids=["longest", "line", "deep-list", "deep-table", "dotted", "digits", "clubs", "bytes",
         "quotes", "commas", "numbers"],
)  # fmt: skip
@pytest.mark.parametrize("ending", [".toml", ".csv"])
def test_a_set_file_of_any_size_or_depth_is_one_line(tmp_path, content, ending):
    path = tmp_path / f"set{ending}"
    path.write_bytes(content)
    with pytest.raises(LieboardError) as caught:
        load_set(path)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 4000


def test_a_capture_with_lengths_that_cannot_be_takes_no_memory(tmp_path, warm_commands):
    """Four bytes of a good recording in turn say that two gigabytes follow."""
    good = tmp_path / "good.lbcap"
    with CaptureWriter(good, "COM1", UtcAnchor(0, 1_750_000_000 * 10**9)) as out:
        for n in range(50):
            out.write(RecordKind.FROM_BOARD, b"LB1 x=1.5 n=%d\n" % n, n * 10**9)
    raw = good.read_bytes()
    db = tmp_path / "data.db"
    set_file = tmp_path / "set.toml"
    set_file.write_text('player="A"\nhand="right"\nset="S"\n[[club]]\nlabel="7i"\n')
    imported = warm_commands.run(
        "set", "import", str(set_file), "--db", str(db), environment=ENVIRONMENT
    )
    assert imported.returncode == 0, imported.stderr
    paths = []
    middle = len(raw) // 2
    for order in ("<I", ">I"):
        for at in (middle, middle + 48):
            spoilt = bytearray(raw)
            spoilt[at : at + 4] = struct.pack(order, 0x7FFFFFFF)
            paths.append(tmp_path / f"spoilt-{len(paths)}.lbcap")
            paths[-1].write_bytes(spoilt + b"\xff" * 4096)
    done = log_in_little_memory(db, paths)
    assert "MemoryError" not in done.stderr
    assert "Traceback" not in done.stderr, done.stderr
    assert done.returncode == 0, done.stderr
    codes = [json.loads(line)["code"] for line in done.stdout.splitlines() if line[:1] == "{"]
    assert len(codes) == len(paths)
    assert set(codes) <= {0, 2, 3}


ENVIRONMENT = {"OPENBLAS_NUM_THREADS": "1", "PATH": "/usr/bin:/bin", "HOME": "/nowhere"}
LOG_EACH = """
import json, sys
from logger.cli import main
db, *paths = sys.argv[1:]
for path in paths:
    print(json.dumps({"code": main(["log", "capture:" + path, "--db", db])}), flush=True)
"""


def log_in_little_memory(db, paths, memory_mb=700):
    """Log recordings one after the other in a process that may use so much memory and no more."""

    def bound():
        resource.setrlimit(resource.RLIMIT_AS, (memory_mb * MB, memory_mb * MB))

    return subprocess.run(
        [sys.executable, "-c", LOG_EACH, db, *paths], capture_output=True, text=True,
        check=False, timeout=60, stdin=subprocess.DEVNULL, preexec_fn=bound, env=ENVIRONMENT,
    )  # fmt: skip


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


@pytest.mark.parametrize(
    "spoil",
    [
        "UPDATE club_specs SET camber_mm = -1.0",
        "UPDATE sessions SET sole_middle_mm = -9e999",
        "UPDATE records SET raw = x''",
    ],
)
def test_a_file_that_another_program_spoilt_is_one_line_that_says_what_to_do(
    tmp_path, warm_commands, spoil
):
    path = tmp_path / "own.db"
    latest = max(VECTORS.glob("schema-[0-9].db.gz"))
    path.write_bytes(gzip.decompress(latest.read_bytes()))
    Store.open(path).close()
    with closing(sqlite3.connect(path)) as file:
        file.execute(spoil)
        file.commit()
    done = warm_commands.run("clubs", "--db", str(path), environment={})
    assert done.returncode == 4
    assert "'lieboard check --set-aside'" in done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    warm_commands.run("check", "--set-aside", "--db", str(path), environment={})
    assert "Traceback" not in warm_commands.run("clubs", "--db", str(path), environment={}).stderr


def test_delivery_that_is_said_to_be_known_exactly_divides_nothing(tmp_path, warm_commands):
    path = tmp_path / "own.db"
    latest = max(VECTORS.glob("schema-[0-9].db.gz"))
    path.write_bytes(gzip.decompress(latest.read_bytes()))
    Store.open(path).close()
    with closing(sqlite3.connect(path)) as file:
        file.execute("UPDATE sessions SET sole_middle_u_mm = 0")
        file.commit()
    done = warm_commands.run("clubs", "--db", str(path), environment={})
    assert (done.returncode, done.stderr) == (0, "")
