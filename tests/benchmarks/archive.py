"""An archive of ten million strikes: how long a question takes, and how fast it is worked out.

::

    nice python tests/benchmarks/archive.py [--strikes N] [--work-strikes N] [--folder FOLDER]

Everything is invented: players of several shops over two years, a session every other week with
100 contacts of ten clubs, written with numpy and Arrow in the archive's own layout. Measured are

- ``player_ms``: club summaries of one player, each time of another one (median and slowest of
  ``--asked``), by a program that has the archive open; ``opened_ms`` is opening it;
- ``chain_s``: club summaries of the whole chain with DuckDB, and ``pandas_s``: reading the same
  columns of the same files and adding up the same way with pandas, taking turns in one run;
- ``work_*_per_s``: contacts of whole sessions read, unpacked and worked out again
  (`logger.archive.work`: robust means, lie errors, the set model) here without Dask, and with Dask
  on 1 and on 2 workers that are up already; ``unpacking_share``: of the time here. These sessions
  are readings; footprints of whole scans cost more, and tests/benchmarks/footprint.py times those.

``*_cpu_*`` is processor time of this process: on a machine that others use, too, it says more.

pandas comes with ``dask[dataframe]``. Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import platform
import statistics
import sys
import tempfile
import time
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.compute as compute

from logger.archive.layout import (
    COLUMNS,
    INDEX,
    INDEX_COLUMNS,
    Place,
    arrow_schema,
    month_of,
    places_of,
    read_index,
    write_file,
)
from logger.archive.summary import Summaries
from logger.archive.unpack import unpacked
from logger.archive.work import dask_client, on_dask, tasks_of, work
from logger.store.copies.columns import COPY_SCHEMA

CLUBS = ["4i", "5i", "6i", "7i", "8i", "9i", "PW", "GW", "SW", "LW"]
CONTACTS = 100
SESSIONS_A_PLAYER = 52
SHOPS = 10
# 2025-01-01T00:00:00Z
BEGIN_NS = 1_735_689_600 * 10**9
DAY_NS = 86_400 * 10**9


def content(player: str, started_ns: int) -> str:
    """What the analysis of a session rests on, but for its contacts."""
    spec = {"club": "", "source": "set file", "head_material": "forged", "bias_unit": None,
            "from_utc_ns": BEGIN_NS, "loft_deg": None, "bounce_deg": None, "camber_mm": 300.0,
            "camber_u_mm": 15.0, "sole_length_mm": None, "bias": None}  # fmt: skip
    specs = [
        {**spec, "club": label, "length_mm": 980.0 - 12.7 * n, "lie_deg": 60.0 + 0.5 * n}
        for n, label in enumerate(CLUBS)
    ]
    boot = {"board": f"board {player}", "form": "text", "name": "board", "boot": str(started_ns),
            "hello": None, "board_first_seen_utc_ns": BEGIN_NS, "first_seen_utc_ns": started_ns,
            "accepted": 1, "accepted_utc_ns": BEGIN_NS}  # fmt: skip
    session = {"hand": "right", "surface": "mat", "note": None, "ball": 1,
               "started_utc_ns": started_ns, "ended_utc_ns": started_ns + 3600 * 10**9,
               "stance_mm": 0.0, "stance_u_mm": 2.0, "sole_middle_mm": 0.0,
               "sole_middle_u_mm": 5.0, "machine_increment_deg": 0.5}  # fmt: skip
    return json.dumps(
        {
            "schema": COPY_SCHEMA,
            "player": [{"name": player, "hand": "right", "note": None}],
            "set": [{"name": "Irons", "pivot": "7i", "machine_increment_deg": 0.5}],
            "session": [session],
            "clubs": [{"label": label, "position": n} for n, label in enumerate(CLUBS)],
            "specs": specs,
            "boots": [boot],
            **{name: [] for name in ("bends", "overlays", "misses", "presses", "evenings")},
            **{name: [] for name in ("turns", "losses", "notes")},
        }
    )


def make(folder: Path, strikes: int) -> tuple[int, float]:
    """Write an archive; return how many contacts are in it, and how long that took."""
    began = time.monotonic()
    draw = np.random.default_rng(11)
    players = max(1, round(strikes / CONTACTS / SESSIONS_A_PLAYER))
    names = [f"Player {n:06d}" for n in range(players)]
    index: list[dict[str, object]] = []
    groups: dict[Place, list[tuple[int, int]]] = {}
    for n in range(SESSIONS_A_PLAYER):
        for player in range(players):
            started = BEGIN_NS + n * 14 * DAY_NS + player * 1_000_003
            place = Place(month_of(started), f"Shop {player % SHOPS}", 1)
            groups.setdefault(place, []).append((player, started))
    copy = 0
    for place, sessions in groups.items():
        # A player's sessions beside each other, as the writer leaves them.
        sessions.sort()
        first = copy + 1
        copy += len(sessions)
        write_part(folder, place, sessions, names, np.arange(first, copy + 1), draw)
        index += [
            {"copy": first + n, "run": 1, "month": place.month, "shop": place.shop, "bay": "bay 1",
             "player": names[player], "set": "Irons", "started_utc_ns": started,
             "stamp": first + n, "contacts": CONTACTS, "records": 0}
            for n, (player, started) in enumerate(sessions)
        ]  # fmt: skip
    whole = arrow.Table.from_pylist(index, schema=arrow_schema(INDEX_COLUMNS))
    write_file(folder / INDEX, whole.sort_by([("player", "ascending"), ("copy", "ascending")]))
    return copy * CONTACTS, time.monotonic() - began


def write_part(
    folder: Path,
    place: Place,
    sessions: list[tuple[int, int]],
    names: list[str],
    copies: np.ndarray,
    draw: np.random.Generator,
) -> None:
    """Write one part of each table."""
    rows = len(sessions) * CONTACTS
    within = np.tile(np.arange(CONTACTS), len(sessions))
    started = np.repeat([at for _, at in sessions], CONTACTS)
    struck = started + (within + 1) * 20 * 10**9
    club = within * len(CLUBS) // CONTACTS
    # A player's own place, a club's own, and the swing's scatter with some mishits.
    level = np.repeat(draw.normal(0, 4, len(sessions)), CONTACTS)
    wide = np.where(draw.random(rows) < 0.05, 4.0, 1.0)
    toe = level + (club - 4.5) * 0.4 + draw.normal(0, 5, rows) * wide
    used = draw.random(rows) > 0.04
    player = np.repeat([n for n, _ in sessions], CONTACTS)
    text = {
        "player": pd.Categorical.from_codes(player, names).astype(str),
        "club": pd.Categorical.from_codes(club, CLUBS).astype(str),
    }
    board = ("board " + pd.Series(text["player"])).to_numpy()
    given = {
        "copy": np.repeat(copies, CONTACTS),
        **{name: np.asarray(values) for name, values in text.items()},
        "set": np.full(rows, "Irons"),
        "struck_utc": struck,
        "source": np.full(rows, "board"),
        "kind": np.full(rows, "strike"),
        "toe_mm": toe,
        "board_mm": toe,
        "used": used,
        "set_aside_by": np.where(used, None, "rule"),
        "reason": np.where(used, None, "a second trigger of the same swing"),
        "rule_reason": np.where(used, None, "a second trigger of the same swing"),
        "load": draw.gamma(9, 60, rows),
        "span_us": draw.gamma(9, 90, rows),
        "method_version": np.full(rows, "contact 1"),
        "started_utc_ns": started,
        "board": board,
        "boot": started.astype(str),
        "first_sequence": within,
        "last_sequence": within,
        "within": np.zeros(rows, np.int64),
        "flags": np.full(rows, 4),
    }
    schema = arrow_schema(COLUMNS["strikes"])
    columns = [
        arrow.array(given[field.name]).cast(field.type)
        if field.name in given
        else arrow.nulls(rows, field.type)
        for field in schema
    ]
    write_file(place.path(folder, "strikes"), arrow.Table.from_arrays(columns, schema=schema))
    texts = [content(names[player], at) for player, at in sessions]
    write_file(
        place.path(folder, "sessions"),
        arrow.table({"copy": copies, "content": texts}, schema=arrow_schema(COLUMNS["sessions"])),
    )
    write_file(place.path(folder, "records"), arrow_schema(COLUMNS["records"]).empty_table())


def ask_players(folder: Path, asked: int) -> dict[str, float]:
    """Time club summaries of single players, each another one."""
    names = compute.unique(read_index(folder).column("player")).to_pylist()
    draw = np.random.default_rng(5)
    began = time.monotonic()
    with Summaries(folder) as summaries:
        opened = time.monotonic() - began
        # The first question reads the files' own tables of contents.
        took, cpu = [], []
        for name in draw.choice(names, asked + 1):
            began, used = time.monotonic(), time.process_time()
            rows = summaries.by(["club"], player=str(name))
            took.append(1000 * (time.monotonic() - began))
            cpu.append(1000 * (time.process_time() - used))
            assert sum(row.used + row.set_aside for row in rows) == CONTACTS * SESSIONS_A_PLAYER
    return {
        "opened_ms": round(1000 * opened, 1),
        "first_player_ms": round(took[0], 1),
        "player_ms": round(statistics.median(took[1:]), 1),
        "slowest_player_ms": round(max(took[1:]), 1),
        "player_cpu_ms": round(statistics.median(cpu[1:]), 1),
    }


def with_duckdb(folder: Path) -> dict[str, tuple[int, float, float]]:
    """Add up the whole chain by club, as the product does."""
    with Summaries(folder) as summaries:
        return {
            str(row.group[0]): (row.used, row.mean_toe_mm or 0.0, row.sd_toe_mm or 0.0)
            for row in summaries.by(["club"])
        }


def with_pandas(folder: Path) -> dict[str, tuple[int, float, float]]:
    """Add up the whole chain by club with pandas, reading no more than it needs."""
    index = read_index(folder)
    frames = [
        pd.read_parquet(place.path(folder, "strikes"), columns=["copy", "club", "used", "toe_mm"],
                        partitioning=None)
        for place in places_of(index)
    ]  # fmt: skip
    whole = pd.concat(frames, ignore_index=True)
    whole = whole[whole["copy"].isin(index.column("copy").to_pandas())]
    used = whole[whole["used"]].groupby("club")["toe_mm"].agg(["count", "mean", "std"])
    return {str(club): (int(n), float(m), float(s)) for club, n, m, s in used.itertuples()}


def compare(folder: Path, rounds: int) -> dict[str, float]:
    """Let both take turns, so that what else the machine does hits both."""
    ours, theirs = [], []
    for _ in range(rounds):
        began = time.monotonic()
        a = with_duckdb(folder)
        ours.append(time.monotonic() - began)
        began = time.monotonic()
        b = with_pandas(folder)
        theirs.append(time.monotonic() - began)
    assert a.keys() == b.keys()
    assert all(np.allclose(a[club], b[club], rtol=1e-9) for club in a)
    return {
        "chain_s": round(statistics.median(ours), 2),
        "pandas_s": round(statistics.median(theirs), 2),
        "times_pandas": round(
            statistics.median(t / o for o, t in zip(ours, theirs, strict=True)), 1
        ),
    }


def rework(folder: Path, contacts: int) -> dict[str, float]:
    """Work sessions out again, here and on workers."""
    tasks = []
    for task in tasks_of(folder):
        if sum(len(t.names) for t in tasks) * CONTACTS >= contacts:
            break
        tasks.append(task)
    done = sum(len(t.names) for t in tasks) * CONTACTS
    work(tasks[0])
    unpacking = 0.0
    for task in tasks:
        start = time.monotonic()
        store, _ = unpacked(task.folder, task.place, [row["copy"] for row in task.names])
        store.close()
        unpacking += time.monotonic() - start
    began, used = time.monotonic(), time.process_time()
    here = [row for task in tasks for row in work(task)]
    took, cpu = time.monotonic() - began, time.process_time() - used
    found: dict[str, float] = {
        "work_contacts": done,
        "work_here_per_s": round(done / took),
        "work_here_per_cpu_s": round(done / cpu),
        "unpacking_share": round(unpacking / took, 2),
    }
    for workers in (1, 2):
        with dask_client(workers=workers) as client:
            # Workers import what they need with their first task.
            client.run(_warm)
            began = time.monotonic()
            rows = [row for part in on_dask(client, tasks) for row in part]
            found[f"work_{workers}_per_s"] = round(done / (time.monotonic() - began))
        assert_same(rows, here)
    found["two_over_one"] = round(found["work_2_per_s"] / found["work_1_per_s"], 2)
    return found


def assert_same(some: list[dict[str, object]], others: list[dict[str, object]]) -> None:
    """Numbers may differ in the last bits: workers have another number of threads for algebra."""
    assert len(some) == len(others)
    for one, other in zip(some, others, strict=True):
        assert one.keys() == other.keys()
        for name, value in one.items():
            if isinstance(value, float):
                assert np.isclose(value, other[name], rtol=1e-7, atol=1e-9), (name, value, other)
            else:
                assert value == other[name], (name, value, other)


def _warm() -> None:
    for name in ("logger.archive.work", "scipy.linalg", "scipy.optimize", "scipy.special"):
        importlib.import_module(name)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--strikes", type=int, default=10_000_000)
    parser.add_argument("--work-strikes", type=int, default=64_000)
    parser.add_argument("--asked", type=int, default=30)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", type=Path, help="on the disk to measure; default: temporary")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as temporary:
        folder = Path(temporary) / "archive"
        made, took = make(folder, options.strikes)
        size = sum(path.stat().st_size for path in folder.rglob("*.parquet"))
        stages = [
            lambda: ask_players(folder, options.asked),
            lambda: compare(folder, options.rounds),
            lambda: rework(folder, options.work_strikes),
        ]
        found: dict[str, object] = {
            "contacts": made,
            "parts": len(places_of(read_index(folder))),
            "size_mb": round(size / 1e6),
            "make_s": round(took, 1),
            "load": round(os.getloadavg()[0], 1),
            "duckdb": duckdb.__version__,
            "pandas": pd.__version__,
            "arrow": arrow.__version__,
            "python": platform.python_version(),
        }
        for stage in stages:
            print(json.dumps(found), file=sys.stderr)
            found.update(stage())
    print(json.dumps(found))


if __name__ == "__main__":
    main()
