"""Data: backup and restore, another laptop's file, a look for damage."""

from __future__ import annotations

import asyncio
import datetime
import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from starlette.background import BackgroundTask
from starlette.datastructures import FormData
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from logger.desk.jobs import Job
from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.shell.uploads import file_in, sent_form
from logger.errors import StoreError, UsageError
from logger.session.logging.rework import check_file, merge_file, rebuild_all, take_back_merge
from logger.store.copies.backup import BEFORE_RESTORE, back_up, back_up_in_turn, put_back, restore
from logger.store.store import Store

# Years of a busy bay are some hundred MB.
MOST_FILE_BYTES = 4_000_000_000
_KEEP = 30
_LOOK_EVERY_S = 0.2
_SHOWN = 12


def backup_folder(desk: Desk) -> Path:
    """Return where backups go."""
    given = desk.house.remembered().get("backup_folder")
    return Path(given) if isinstance(given, str) and given else desk.house.path.parent / "backups"


def data_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""
    house = desk.house

    async def data(ask: Ask) -> Response:
        folder = backup_folder(desk)

        def look(store: Store) -> dict[str, Any]:
            sessions = store.sessions.all()
            copies = []
            if folder.is_dir():
                named = [one for one in folder.iterdir() if one.suffix == ".db"]
                named.sort(key=lambda one: -one.stat().st_mtime_ns)
                copies = [
                    (one.name, one.stat().st_size / 1e6, one.stat().st_mtime_ns)
                    for one in named[:_SHOWN]
                ]
            size = house.path.stat().st_size / 1e6
            return {"copies": copies, "size": size, "sessions": len(sessions)}

        found = await house.read(look)
        last = house.remembered().get("backup_utc_ns")
        return ask.page(
            "data/data.html", folder=str(folder), path_of_file=str(house.path),
            last=last if isinstance(last, int) else None,
            merged=_beside(house.path, "before-merge"),
            restored=_beside(house.path, BEFORE_RESTORE), **found,
        )  # fmt: skip

    async def back_up_now(ask: Ask) -> Response:
        typed = ask.form["folder"].strip()
        folder = Path(typed) if typed else backup_folder(desk)
        if not folder.is_absolute() or len(typed) > 500:
            raise UsageError(f"{typed}: write the whole path of a folder")
        house.remember(backup_folder=str(folder))

        def work(job: Job) -> str:
            job.say("copying, and reading the copy back")
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise StoreError(
                    f"{folder} cannot be made ({error.strerror}): name another folder"
                ) from error
            now = house.clock.utc_ns()
            with _growing(job, house.path, folder):
                made = back_up_in_turn(house.path, folder, utc_stamp=_stamp(now), keep=_KEEP)
            if job.stopped:
                made.path.unlink(missing_ok=True)
                job.check()
            house.remember(backup_utc_ns=now)
            facts = made.facts
            return (
                f"{made.path}: {facts.size_bytes / 1e6:.1f} MB, "
                f"{facts.rows.get('sessions', 0)} sessions; read back, nothing wrong"
            )

        job = desk.jobs.start("Backup", work, leads_to="/data")
        return ask.to(f"/jobs/{job.number}")

    async def copy_down(ask: Ask) -> Response:
        """Send a checked copy to whoever looks."""
        folder = Path(tempfile.mkdtemp(prefix="lieboard-"))
        stamp = _stamp(house.clock.utc_ns())
        target = folder / f"{house.path.stem}-{stamp}.db"
        await house.read(lambda store: back_up(house.path, target))
        return FileResponse(
            target, filename=target.name, media_type="application/vnd.sqlite3",
            background=BackgroundTask(shutil.rmtree, folder, ignore_errors=True),
        )  # fmt: skip

    async def restore_file(ask: Ask) -> Response:
        form = await sent_form(ask, MOST_FILE_BYTES)
        name = ask.form.get("name", "")
        folder = Path(tempfile.mkdtemp(prefix="lieboard-"))
        try:
            source = (
                backup_folder(desk) / Path(name).name
                if name
                else await asyncio.to_thread(_saved, form, folder)
            )
            words = await house.alone(lambda: _restored(house.path, source), desk.stop_looking)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        return ask.page("data/done.html", words=words)

    async def back_from_restore(ask: Ask) -> Response:
        def work() -> str:
            _, kept = put_back(house.path, BEFORE_RESTORE)
            return f"as it was before the restore; what it had become is in {kept.name}"

        return ask.page("data/done.html", words=await house.alone(work, desk.stop_looking))

    async def merge(ask: Ask) -> Response:
        form = await sent_form(ask, MOST_FILE_BYTES)
        folder = Path(tempfile.mkdtemp(prefix="lieboard-"))
        try:
            source = await asyncio.to_thread(_saved, form, folder)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        if desk.bays.logging:
            shutil.rmtree(folder, ignore_errors=True)
            raise UsageError("a board is logging: end the session first, then take the file in")

        def work(job: Job) -> str:
            try:
                job.say("taking it in: all of it or nothing")
                report = merge_file(house.path, source, stopped=lambda: job.stopped)
            except StoreError:
                job.check()
                raise
            finally:
                shutil.rmtree(folder, ignore_errors=True)
            for one in report.differences[:50]:
                job.findings.append(("look", one.what, f"kept {one.kept!s}, not {one.dropped!s}"))
            for row in report.left_out[:20]:
                what = f"left out: {row.table}, row {row.number}"
                job.findings.append(("look", what, row.reason))
            if not report.added and not report.changed:
                return "nothing in it that is not here already"
            counts = [f"{n} {t.replace('_', ' ')}" for t, n in report.added.items()]
            return "taken in: " + (", ".join(counts) or "changes only")

        job = desk.jobs.start("Another laptop's file", work, leads_to="/data")
        return ask.to(f"/jobs/{job.number}")

    async def back_from_merge(ask: Ask) -> Response:
        def work() -> str:
            _, kept = take_back_merge(house.path)
            return f"as it was before the merge; what it had become is in {kept.name}"

        return ask.page("data/done.html", words=await house.alone(work, desk.stop_looking))

    async def check(ask: Ask) -> Response:
        mend = ask.form["mend"] == "1"

        def work(job: Job) -> str:
            def working(done: int, of: int) -> None:
                job.working(done, of)

            job.say("looking through a copy of the file")
            if mend:
                with Store.open(house.path) as store:
                    rebuild_all(store, working)
            found = check_file(house.path, house.clock.utc_ns(), working=working)
            for one in found:
                job.findings.append(("fail" if one.wrong else "note", one.what, one.do))
            if any(one.wrong for one in found):
                job.answers.append(("Work strikes out again", "/data/check", "mend"))
                return "something is wrong: look at the list"
            return "nothing wrong"

        job = desk.jobs.start("A look for damage", work, leads_to="/data")
        return ask.to(f"/jobs/{job.number}")

    return [
        *view(desk, "/data", data),
        *view(desk, "/data/backup", None, back_up_now),
        *view(desk, "/data/copy.db", copy_down),
        *view(desk, "/data/restore", None, restore_file),
        *view(desk, "/data/restore/back", None, back_from_restore),
        *view(desk, "/data/merge", None, merge),
        *view(desk, "/data/merge/back", None, back_from_merge),
        *view(desk, "/data/check", None, check),
    ]


def _restored(path: Path, source: Path) -> str:
    kept = restore(path, source)
    # Of an older version it is upgraded here, before anybody looks.
    Store.open(path).close()
    return f"restored from {source.name}; what it was before is in {kept.name}"


def _saved(form: FormData, folder: Path) -> Path:
    _, file = file_in(form, "file")
    target = folder / "sent.db"
    with target.open("wb") as out:
        shutil.copyfileobj(file, out, 1 << 20)
    return target


@contextmanager
def _growing(job: Job, path: Path, folder: Path) -> Iterator[None]:
    """Show how far a copy is, MB: SQLite makes it in one go, and only its file tells."""
    over = threading.Event()
    whole = max(1, round(path.stat().st_size / 1e6))

    def look() -> None:
        while not over.wait(_LOOK_EVERY_S):
            with suppress(OSError):
                sizes = [one.stat().st_size for one in folder.glob(f".{path.stem}-*.part")]
                job.done, job.of = min(whole, round(sum(sizes) / 1e6)), whole

    watching = threading.Thread(target=look, name="lieboard copy", daemon=True)
    watching.start()
    try:
        yield
    finally:
        over.set()
        watching.join()


def _beside(path: Path, why: str) -> bool:
    return any(path.parent.glob(f"{path.name}.{why}-*"))


def _stamp(utc_ns: int) -> str:
    moment = datetime.datetime.fromtimestamp(utc_ns // 10**9, tz=datetime.UTC)
    return moment.strftime("%Y%m%dT%H%M%SZ")
