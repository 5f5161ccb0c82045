"""Work sessions of an archive out again, with the very functions that work on one data file.

Each task is some sessions of one part: a worker makes a data file in memory of them and asks
`logger.session.results.clubs` as the command line does. Where tasks run is Dask's affair: in
this process, in processes of this machine, or on a cluster that is there already.
"""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.archive.layout import Columns, Place, arrow_schema, read_index, write_file
from logger.archive.unpack import unpacked
from logger.errors import LieboardError, UsageError
from logger.extras import extra
from logger.session.evidence.evidence import SessionPicture
from logger.session.results.clubs import ClubResult, session_results
from logger.store.store import Store

if TYPE_CHECKING:
    from analysis.statistics.estimation import Interval

# Enough that reading a part does not count, few enough that workers end together.
_SESSIONS_A_TASK: Final = 32
RESULT_COLUMNS: Final[Columns] = (
    ("month", "string", False),
    ("shop", "string", False),
    ("bay", "string", True),
    ("player", "string", False),
    ("set", "string", False),
    ("started_utc_ns", "int64", False),
    ("club", "string", False),
    ("used", "int32", False),
    ("set_aside", "int32", False),
    ("lost", "int32", False),
    ("toe_mm", "float64", True),
    ("toe_u_mm", "float64", True),
    ("toe_low_mm", "float64", True),
    ("toe_high_mm", "float64", True),
    ("spread_mm", "float64", True),
    ("touched", "string", False),
    ("decision", "string", False),
    ("why", "string", False),
    ("wanted_deg", "float64", False),
    ("lie_error_deg", "float64", True),
    ("lie_error_u_deg", "float64", True),
    ("lie_error_low_deg", "float64", True),
    ("lie_error_high_deg", "float64", True),
    ("level_source", "string", True),
    ("set_level_deg", "float64", True),
    ("set_level_u_deg", "float64", True),
    ("set_slope_deg", "float64", True),
    ("set_slope_u_deg", "float64", True),
    ("p_outlier", "float64", True),
)
"""One row per club of a session with contacts: what `logger.session.results.clubs` says of it, as
on every screen. ``set_*`` are of the set's line (the slope is per half inch of length). Low and
high are the ends of 90 % intervals, u standard uncertainties. Missing = not known."""


@dataclass(frozen=True, slots=True)
class Task:
    """Some sessions of one part."""

    folder: Path
    place: Place
    names: tuple[dict[str, Any], ...]
    """Their rows of the index."""


def tasks_of(
    folder: Path, *, player: str | None = None, shop: str | None = None, month: str | None = None
) -> list[Task]:
    """Part an archive into tasks; only what is asked for."""
    index = read_index(folder)
    wanted = {"player": player, "shop": shop, "month": month}
    rows = [
        row
        for row in index.to_pylist()
        if all(
            value is None or row[name].lower() == value.lower() for name, value in wanted.items()
        )
    ]
    parts: dict[Place, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        parts[Place(row["month"], row["shop"], row["run"])].append(row)
    return [
        Task(folder, place, tuple(own[start : start + _SESSIONS_A_TASK]))
        for place, own in sorted(parts.items(), key=lambda item: repr(item[0]))
        for start in range(0, len(own), _SESSIONS_A_TASK)
    ]


def work(task: Task) -> list[dict[str, Any]]:
    """Work the sessions of a task out; return rows of `RESULT_COLUMNS`."""
    store, ids = unpacked(task.folder, task.place, [row["copy"] for row in task.names])
    with store:
        return [
            {**_names(row), **result}
            for row in task.names
            for result in session_rows(store, ids[row["copy"]])
        ]


def session_rows(store: Store, session: int) -> Iterator[dict[str, Any]]:
    """Work one session of a data file out; give a row for each club that has contacts in it."""
    results = session_results(store, store.sessions.get(session))
    for place, one in enumerate(results.clubs):
        club = one.evidence
        if club.used or club.set_aside or club.lost:
            yield {**_of_club(one, results.picture, place), **_of_set(results.picture, place)}


@contextmanager
def dask_client(*, workers: int, scheduler: str | None = None) -> Iterator[Any]:
    """Give a Dask client: of a cluster that is there, or of so many processes of this machine."""
    with extra("archive"):
        from distributed import Client, LocalCluster
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout=10)
        except (OSError, ValueError) as error:
            raise UsageError(f"--scheduler {scheduler}: nothing answers there ({error})") from error
        with client:
            yield client
        return
    with (
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            # Strikes are nobody else's business; any port, for there may be several of us.
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            # That a worker was slow to end is no news to a person.
            silence_logs=logging.ERROR,
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client


def work_all(
    tasks: Sequence[Task], *, workers: int = 0, scheduler: str | None = None
) -> list[dict[str, Any]]:
    """Work all tasks out; return their rows in the order of the tasks.

    Parameters
    ----------
    tasks
        From `tasks_of`.
    workers
        Processes of this machine; 0 = in this one, without Dask.
    scheduler
        Address of a Dask scheduler that is running; its workers must see the archive's folder
        under the same path.
    """
    if workers == 0 and scheduler is None:
        return [row for task in tasks for row in work(task)]
    with dask_client(workers=workers, scheduler=scheduler) as client:
        return [row for rows in on_dask(client, tasks) for row in rows]


def on_dask(client: Any, tasks: Sequence[Task]) -> list[list[dict[str, Any]]]:  # noqa: ANN401
    """Work tasks out with a Dask client; what went wrong in a worker is raised here."""
    # Not pure: what a part's path leads to is not in the path.
    futures = client.map(work, tasks, pure=False)
    try:
        found: list[list[dict[str, Any]]] = client.gather(futures)
    except LieboardError:
        client.cancel(futures)
        raise
    return found


def write_results(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Write rows of `RESULT_COLUMNS` as one Parquet file."""
    with extra("archive"):
        import pyarrow as arrow
    write_file(path, arrow.Table.from_pylist(rows, schema=arrow_schema(RESULT_COLUMNS)))


def _names(row: dict[str, Any]) -> dict[str, Any]:
    return {name: row[name] for name in ("month", "shop", "bay", "player", "set", "started_utc_ns")}


def _of_club(result: ClubResult, picture: SessionPicture, place: int) -> dict[str, Any]:
    club, together = result.evidence, picture.together
    toe = club.contact
    u_deg = None
    if together is not None and result.lie_error_deg is not None:
        u_deg = float(together.lie.sd[place])
    return {
        "club": result.label,
        "used": club.used,
        "set_aside": club.set_aside,
        "lost": club.lost,
        "toe_mm": toe.mean_mm,
        "toe_u_mm": toe.u_mm,
        **_ends("toe_{}_mm", toe.interval_mm),
        "spread_mm": toe.spread_mm,
        "touched": result.touched,
        "decision": result.decision.words,
        "why": result.why,
        "wanted_deg": result.wanted.lie_error_deg,
        "lie_error_deg": result.lie_error_deg,
        "lie_error_u_deg": u_deg,
        **_ends("lie_error_{}_deg", result.interval_deg),
        "level_source": club.lie and club.lie.level_source.value,
    }


def _of_set(picture: SessionPicture, place: int) -> dict[str, Any]:
    together = picture.together
    if together is None:
        return {}
    p_outlier = float(together.p_outlier[place])
    return {
        "set_level_deg": together.level.value,
        "set_level_u_deg": together.level.u,
        "set_slope_deg": together.slope.value,
        "set_slope_u_deg": together.slope.u,
        # NaN where too few clubs share a line.
        "p_outlier": None if p_outlier != p_outlier else p_outlier,
    }


def _ends(name: str, interval: Interval | None) -> dict[str, float | None]:
    return {
        name.format("low"): None if interval is None else interval.low,
        name.format("high"): None if interval is None else interval.high,
    }
