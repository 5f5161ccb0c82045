"""Boards: found, agreed to once, checked and calibrated step by step, cells drawn live."""

from __future__ import annotations

import asyncio
import datetime
from dataclasses import dataclass
from typing import Any

from starlette.responses import Response
from starlette.routing import Route

from analysis.answers import NoAnswerError, Verdict
from logger.bench.connection import BoardBench
from logger.bench.who import who_answers
from logger.desk.boards.guided import BAUD, address_in, guided
from logger.desk.boards.rocking import rocking_routes
from logger.desk.jobs import Job
from logger.desk.shell.desk import Ask, Desk, view
from logger.errors import LieboardError, LinkOpenError, UsageError
from logger.links.ports import PortInfo, candidate_ports
from logger.session.logging.cell_calibration import CELL_CALIBRATION_KIND, CELL_CALIBRATION_METHOD
from logger.store.store import Store

_LISTEN_S = 5.0
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
    rocked: bool
    """Whether any head's camber was measured by rocking."""
    url: str
    """Where it answered last; empty: not known."""

    @property
    def next_step(self) -> tuple[str, str, str]:
        """What brings most trust next: on a button, its address, and what it tells."""
        if self.judged is None:
            return "Check it", "/boards/check", "noise, dead cells, line and clock: two minutes"
        if not self.judged:
            return "Check it again", "/boards/check", "once what the check named was put right"
        if self.calibrated_utc_ns is None:
            return "Calibrate its cells", "/boards/calibrate", "a bar is drawn along the strip"
        if not self.rocked:
            return "Rock a head", "/boards/rock", "the camber of one head narrows every club"
        return "", "", "three marks beside strikes tell whether board and soles agree"


def known_boards(store: Store, at: dict[str, str]) -> list[KnownBoard]:
    """All boards that were agreed to; ``at`` has where they answered."""
    sets = [store.sets.get(one.id) for one in store.sets.all()]
    rocked = any(club.spec.camber_mm is not None for own in sets for club in own.clubs)
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
                rocked,
                at.get(one.key, "") or (f"ble://{one.key}" if ":" in one.key else ""),
            )
        )
    return found


def boards_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""
    house = desk.house

    async def boards(ask: Ask) -> Response:
        ports = await asyncio.to_thread(candidate_ports)
        known = await house.read(lambda store: known_boards(store, house.boards_at()))
        return ask.page(
            "boards/boards.html", ports=[_shown(one) for one in ports], known=known,
            states=desk.bays.logging, last=house.remembered().get("board", ""),
        )  # fmt: skip

    async def who(ask: Ask) -> Response:
        url = address_in(ask)

        def work(job: Job) -> str:
            job.say("asking who is there")
            identity = who_answers(url, BAUD, job.say)
            with Store.open(house.path, read_only=True) as store:
                known = any(one.key == identity.board_key for one in store.agreed.all())
            house.remember_board(identity.board_key, url)
            if not known:
                job.answers.append(("It is mine: use it", "/boards/accept", url))
            return f"{identity.name} ({identity.board_key}) answers at {url}" + (
                "" if not known else "; it may be used already"
            )

        job = desk.jobs.start(f"Who is at {url}?", work, leads_to="/boards", can_stop=False)
        return ask.to(f"/jobs/{job.number}")

    async def accept(ask: Ask) -> Response:
        url = ask.form["value"] or address_in(ask)

        def work(job: Job) -> str:
            job.say("asking once more, and agreeing to it")
            identity = who_answers(url, BAUD, job.say)
            with Store.open(house.path) as store:
                store.agreed.add(identity.board_key, identity.name, at_utc_ns=house.clock.utc_ns())
            house.remember_board(identity.board_key, url)
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
        house.remember_board(key, f"ble://{key}")
        return ask.to("/boards")

    async def forget(ask: Ask) -> Response:
        key = ask.form["value"]

        def work(store: Store, said: object) -> str:
            store.agreed.forget(key)
            return f"{key} is asked about again before it is used"

        await house.act(work)
        return ask.to("/boards")

    async def check(ask: Ask) -> Response:
        url = address_in(ask)

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

        return guided(desk, ask, f"Check of the board at {url}", url, run)

    async def calibrate(ask: Ask) -> Response:
        url = address_in(ask)

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

        return guided(desk, ask, f"Cell calibration of the board at {url}", url, run)

    return [
        *view(desk, "/boards", boards),
        *view(desk, "/boards/who", None, who),
        *view(desk, "/boards/accept", None, accept),
        *view(desk, "/boards/listen", None, listen),
        *view(desk, "/boards/air", None, take_from_air),
        *view(desk, "/boards/forget", None, forget),
        *view(desk, "/boards/check", None, check),
        *view(desk, "/boards/calibrate", None, calibrate),
        *rocking_routes(desk),
    ]


def _shown(port: PortInfo) -> dict[str, Any]:
    state = port.permission_hint or (f"in use by {port.used_by}" if port.used_by else "free")
    what = port.description if port.description != port.device else port.manufacturer or ""
    return {"device": port.device, "what": what, "state": state, "usb": port.is_usb}
