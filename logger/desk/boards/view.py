"""Boards: found, agreed to once, checked and calibrated step by step, cells drawn live."""

from __future__ import annotations

import asyncio
import contextlib
import datetime
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from starlette.responses import Response
from starlette.routing import Route

from analysis.answers import NoAnswerError, Verdict
from logger.bench.connection import BoardBench, open_bench
from logger.bench.who import who_answers
from logger.desk.jobs import CancelledError, Job
from logger.desk.shell.desk import Ask, Desk, view
from logger.errors import LieboardError, LinkOpenError, UsageError
from logger.links.ports import PortInfo, candidate_ports
from logger.protocol.records import Strike
from logger.session.logging.cell_calibration import CELL_CALIBRATION_KIND, CELL_CALIBRATION_METHOD
from logger.store.store import Store

_BAUD = 115_200
_LISTEN_S = 5.0
_LOOK_EVERY_S = 0.2
_DRAW_WAIT_S = 60.0
_DRAW_PASSES = 2


@dataclass(frozen=True, slots=True)
class KnownBoard:
    """A board that was agreed to, and what is known of it."""

    key: str
    name: str
    judged: bool | None
    """Whether the check said it is good enough; None: not checked yet."""
    judged_utc_ns: int | None
    calibrated_utc_ns: int | None
    sessions_by_air: bool

    @property
    def next_step(self) -> str:
        """What brings most trust next."""
        if self.judged is None:
            return "check it: noise, dead cells, line and clock"
        if not self.judged:
            return "put right what the check named, and check it again"
        if self.calibrated_utc_ns is None:
            return "calibrate its cells with a bar drawn along the strip"
        return "rock a head on it for the sole's camber, and read three marks beside strikes"


def known_boards(store: Store) -> list[KnownBoard]:
    """All boards that were agreed to."""
    rows = {row.board_key: row for row in store.boards.all()}
    found = []
    for one in store.agreed.all():
        row = rows.get(one.board_key or one.key)
        calibrations = (
            [] if row is None else store.calibrations.of_board(row.id, CELL_CALIBRATION_KIND)
        )
        found.append(
            KnownBoard(
                one.key,
                one.name,
                None if row is None else row.accepted,
                None if row is None else row.accepted_utc_ns,
                calibrations[-1].from_utc_ns if calibrations else None,
                ":" in one.key,
            )
        )
    return found


def boards_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""
    house = desk.house

    async def boards(ask: Ask) -> Response:
        ports = await asyncio.to_thread(candidate_ports)
        known = await house.read(known_boards)
        return ask.page(
            "boards/boards.html", ports=[_shown(one) for one in ports], known=known,
            states=desk.bays.logging, last=house.remembered().get("board", ""),
        )  # fmt: skip

    async def who(ask: Ask) -> Response:
        url = _address(ask)

        def work(job: Job) -> str:
            job.say("asking who is there")
            identity = who_answers(url, _BAUD, job.say)
            with Store.open(house.path, read_only=True) as store:
                known = any(one.key == identity.board_key for one in store.agreed.all())
            house.remember(board=url)
            if not known:
                job.answers.append(("It is mine: use it", "/boards/accept", url))
            return f"{identity.name} ({identity.board_key}) answers at {url}" + (
                "" if not known else "; it may be used already"
            )

        job = desk.jobs.start(f"Who is at {url}?", work, leads_to="/boards", can_stop=False)
        return ask.to(f"/jobs/{job.number}")

    async def accept(ask: Ask) -> Response:
        url = ask.form["value"] or _address(ask)

        def work(job: Job) -> str:
            job.say("asking once more, and agreeing to it")
            identity = who_answers(url, _BAUD, job.say)
            with Store.open(house.path) as store:
                store.agreed.add(identity.board_key, identity.name, at_utc_ns=house.clock.utc_ns())
            house.remember(board=url)
            return f"{identity.name} may be used from now on"

        job = desk.jobs.start(f"Agree to the board at {url}", work, leads_to="/boards",
                              can_stop=False)  # fmt: skip
        return ask.to(f"/jobs/{job.number}")

    async def listen(ask: Ask) -> Response:
        def work(job: Job) -> str:
            from logger.links.ble_find import scan
            from logger.links.ble_thread import BLUETOOTH
            from logger.links.ble_trouble import explain

            heard: list[Any] = []
            job.say("listening for boards on the air")
            try:
                asyncio.run(BLUETOOTH.run(scan(_LISTEN_S, heard.append)))
            except Exception as error:
                # bleak lets through what the libraries below it raise.
                raise LinkOpenError(explain(error, "the board")) from error
            with Store.open(house.path, read_only=True) as store:
                known = {one.key for one in store.agreed.all()}
            for one in heard:
                if one.key not in known:
                    job.answers.append((f"Use {one.name} ({one.key})", "/boards/air",
                                        f"{one.key} {one.name}"))  # fmt: skip
            if not heard:
                return "no board on the air: switch it on and bring it closer"
            return f"heard: {', '.join(one.name for one in heard)}"

        job = desk.jobs.start("Boards on the air", work, leads_to="/boards", can_stop=False)
        return ask.to(f"/jobs/{job.number}")

    async def take_from_air(ask: Ask) -> Response:
        key, _, name = ask.form["value"].partition(" ")
        if not key or len(key) > 60 or not key.isprintable():
            raise UsageError("that names no board: listen again")

        def work(store: Store, said: object) -> str:
            store.agreed.add(key, name[:80] or key, at_utc_ns=house.clock.utc_ns())
            return f"{name or key} may be used from now on"

        await house.act(work)
        house.remember(board=f"ble://{key}")
        return ask.to("/boards")

    async def forget(ask: Ask) -> Response:
        key = ask.form["value"]

        def work(store: Store, said: object) -> str:
            store.agreed.forget(key)
            return f"{key} is asked about again before it is used"

        await house.act(work)
        return ask.to("/boards")

    async def check(ask: Ask) -> Response:
        url = _address(ask)

        async def run(bench: BoardBench, job: Job, store: Store) -> str:
            from analysis.board.check import worst
            from logger.bench.check import BoardCheck, CheckPlan
            from logger.bench.findings import findings_of

            watched = await BoardCheck(bench, CheckPlan(), job.say).run()
            found = findings_of(bench, watched)
            verdict = worst(found)
            order = [Verdict.FAIL, Verdict.LOOK, Verdict.PASS]
            for one in sorted(found, key=lambda one: order.index(one.verdict)):
                value = "" if one.value is None else f" {one.value:.3g} {one.unit}"
                job.findings.append((one.verdict.value, f"{one.item}{value}", one.what_to_do))
            boot = bench.recorder.boot_row
            if boot is not None and verdict is not Verdict.LOOK:
                board = store.boards.of_boot(boot)
                store.boards.accept(
                    board.id, accepted=verdict is Verdict.PASS, at_utc_ns=house.clock.utc_ns()
                )
            return {
                Verdict.PASS: "good enough to fit with, as far as a check can see",
                Verdict.LOOK: "usable, with the doubts named below",
                Verdict.FAIL: "not good enough: put right what is named below, then check again",
            }[verdict]

        return guided(ask, f"Check of the board at {url}", url, run)

    async def calibrate(ask: Ask) -> Response:
        url = _address(ask)

        async def run(bench: BoardBench, job: Job, store: Store) -> str:
            from analysis.board.cell_calibration import calibrate_cells
            from analysis.board.check import roller_findings
            from logger.bench.drawing import BarDrawing

            drawn = await BarDrawing(bench, _DRAW_PASSES, _DRAW_WAIT_S, job.say).run()
            hello, at = drawn.hello, bench.clock.utc_ns()
            made = datetime.datetime.fromtimestamp(at / 1e9, tz=datetime.UTC)
            try:
                calibration = calibrate_cells(
                    drawn.passes, pitch_mm=hello.pitch_um / 1000, full_scale=hello.full_scale,
                    made=made.isoformat(timespec="seconds"),
                )  # fmt: skip
            except NoAnswerError as reason:
                raise LieboardError(f"the cells could not be calibrated: {reason}") from None
            found = roller_findings(drawn.passes, calibration, full_scale=hello.full_scale)
            job.findings += [(f.verdict.value, f.item, f.what_to_do) for f in found]
            assert bench.recorder.boot_row is not None
            board = store.boards.of_boot(bench.recorder.boot_row)
            store.calibrations.add(
                board.id, CELL_CALIBRATION_KIND, calibration.to_json(), from_utc_ns=at,
                method_version=CELL_CALIBRATION_METHOD,
            )  # fmt: skip
            return f"kept: {calibration.passes_used} passes; strikes from now on are read with it"

        return guided(ask, f"Cell calibration of the board at {url}", url, run)

    def guided(
        ask: Ask, title: str, url: str, run: Callable[[BoardBench, Job, Store], Awaitable[str]]
    ) -> Response:
        if any(one.url == url for one in desk.bays.logging):
            raise UsageError("this board is logging a session: end that first")

        async def all_of_it(job: Job, store: Store) -> str:
            async with open_bench(store, url, _BAUD) as bench:
                watching = asyncio.create_task(_watch(bench, job))
                running = asyncio.ensure_future(run(bench, job, store))
                try:
                    while not running.done():
                        await asyncio.wait((running,), timeout=_LOOK_EVERY_S)
                        job.check()
                    return running.result()
                finally:
                    for task in (running, watching):
                        task.cancel()
                        with contextlib.suppress(
                            asyncio.CancelledError, LieboardError, CancelledError
                        ):
                            await task

        def work(job: Job) -> str:
            with Store.open(house.path) as store:
                return asyncio.run(all_of_it(job, store))

        job = desk.jobs.start(title, work, leads_to="/boards")
        return ask.to(f"/jobs/{job.number}")

    return [
        *view(desk, "/boards", boards),
        *view(desk, "/boards/who", None, who),
        *view(desk, "/boards/accept", None, accept),
        *view(desk, "/boards/listen", None, listen),
        *view(desk, "/boards/air", None, take_from_air),
        *view(desk, "/boards/forget", None, forget),
        *view(desk, "/boards/check", None, check),
        *view(desk, "/boards/calibrate", None, calibrate),
    ]


async def _watch(bench: BoardBench, job: Job) -> None:
    """Keep the drawing of the cells up to date."""
    while True:
        await asyncio.sleep(_LOOK_EVERY_S)
        record = next(
            (one.raw.record for one in reversed(bench.records[-8:])
             if isinstance(one.raw.record, Strike)),
            None,
        )  # fmt: skip
        if record is None or bench.hello is None:
            continue
        counts = np.asarray(record.counts, dtype=float)
        above = counts.max(axis=0) - counts.min(axis=0)
        job.cells = np.clip(above / max(float(above.max()), 1.0), 0, 1).round(2).tolist()


def _shown(port: PortInfo) -> dict[str, Any]:
    state = port.permission_hint or (f"in use by {port.used_by}" if port.used_by else "free")
    what = port.description if port.description != port.device else port.manufacturer or ""
    return {"device": port.device, "what": what, "state": state, "usb": port.is_usb}


def _address(ask: Ask) -> str:
    url = (ask.form["address"] or ask.form["value"]).strip()
    if not url or len(url) > 300:
        raise UsageError("where is the board? Choose a port, or type its address")
    return url
